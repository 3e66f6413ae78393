package linktest

import (
	"context"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"spillway/actions"
	"spillway/actions/link"
)

// The time of one exchange: short where a check waits it out, long where the answer is to come, however busy the machine.
const (
	short = 800 * time.Millisecond
	long  = 10 * time.Second
)

// Run checks a kind of link against far ends that start makes, one for each check.
func Run(t *testing.T, open link.Opener, traits Traits, start func(*testing.T) Peer) {
	if traits.Patience == 0 {
		traits.Patience = 10 * time.Second
	}
	checks := []struct {
		name  string
		needs Manner
		limit time.Duration
		check func(*bench)
	}{
		{"accepts", Accept, long, accepts},
		{"lends", Accept, long, lends},
		{"reads what a hand did", Accept, long, readsHands},
		{"sends nothing impossible", Accept, long, sendsNothingImpossible},
		{"sends nothing after its time", Accept, long, sendsNothingAfterItsTime},
		{"refuses", Refuse, long, refuses},
		{"times out", Silent, short, timesOut},
		{"loses a command", Lossy, long, losesACommand},
		{"answers late", Late, long, answersLate},
		{"answers too late", Late, short, answersTooLate},
		{"gives rubbish", Rubbish, short, givesRubbish},
		{"never ends", Endless, short, neverEnds},
		{"reconnects", Accept, short, reconnects},
		{"opens before the box is there", Accept, long, opensBefore},
		{"many at once", Accept, long, manyAtOnce},
		{"closes under way", Silent, short, closesUnderWay},
	}
	for _, c := range checks {
		t.Run(c.name, func(t *testing.T) {
			if why, ok := traits.Cannot[c.needs]; ok {
				t.Skip(why)
			}
			running := goleak.IgnoreCurrent()
			t.Cleanup(func() { goleak.VerifyNone(t, running) })
			b := &bench{T: t, limit: c.limit, traits: traits, open: open, peer: start(t)}
			t.Cleanup(b.peer.Close)
			b.number, b.named = b.peer.Points()
			c.check(b)
		})
	}
}

// A bench is one far end with the link to it.
type bench struct {
	*testing.T
	limit         time.Duration // of one exchange
	traits        Traits
	open          link.Opener
	peer          Peer
	link          link.Link
	number, named *actions.Point
}

// begin opens the link, waits until it reads and returns it. It is closed at the end of the check.
func (b *bench) begin() link.Link {
	b.Helper()
	l := b.dial()
	b.eventually("the first reading", func() bool {
		_, err := l.Read(b.Context(), b.number)
		_, err2 := l.Read(b.Context(), b.named)
		return err == nil && err2 == nil
	})
	return l
}

func (b *bench) dial() link.Link {
	b.Helper()
	spec := b.peer.Spec()
	spec.Timeout = b.limit
	began := time.Now()
	l, err := b.open(spec, []*actions.Point{b.number, b.named})
	if err != nil {
		b.Fatal(err)
	}
	if took := time.Since(began); took > long/2 {
		b.Errorf("opening took %v; it must return at once", took)
	}
	b.link = l
	b.Cleanup(func() {
		if err := l.Close(); err != nil {
			b.Errorf("close: %v", err)
		}
	})
	return l
}

// eventually polls until ok, or fails after the patience of the kind.
func (b *bench) eventually(what string, ok func() bool) {
	b.Helper()
	end := time.NewTimer(b.traits.Patience)
	defer end.Stop()
	for poll := time.NewTicker(10 * time.Millisecond); ; {
		if ok() {
			poll.Stop()
			return
		}
		select {
		case <-poll.C:
		case <-end.C:
			poll.Stop()
			b.Fatalf("%s did not come about within %v", what, b.traits.Patience)
		}
	}
}

// write sends a command that must be taken.
func (b *bench) write(p *actions.Point, v actions.Value) {
	b.Helper()
	if err := b.link.Write(b.Context(), p, v); err != nil {
		b.Fatalf("write %s = %s: %v", p.Ref, v, err)
	}
}

// reads waits until p reads v.
func (b *bench) reads(p *actions.Point, v actions.Value) {
	b.Helper()
	var got actions.Value
	var err error
	defer func() {
		if b.Failed() {
			b.Logf("the last reading of %s: %v, %v", p.Ref, got, err)
		}
	}()
	b.eventually(p.Ref.String()+" = "+v.String(), func() bool {
		got, err = b.link.Read(b.Context(), p)
		return err == nil && got == v
	})
}

// fails checks that err has one of the classes and reads as one short line without a secret.
func (b *bench) fails(err error, want ...link.Class) {
	b.Helper()
	if err == nil {
		b.Fatalf("no error, want one of class %q", want)
	}
	found := false
	for _, c := range want {
		found = found || link.ClassOf(err) == c
	}
	if !found {
		b.Errorf("error of class %q, want %q: %v", link.ClassOf(err), want, err)
	}
	s := err.Error()
	if len(s) > 600 || strings.ContainsAny(s, "\r\n\x00") {
		b.Errorf("not one short line: %d bytes, %q", len(s), s[:min(len(s), 600)])
	}
	spec := b.peer.Spec()
	for _, secret := range []actions.Secret{spec.Password, spec.Token} {
		if secret != "" && strings.Contains(s, string(secret)) {
			b.Errorf("the error shows a secret: %s", s)
		}
	}
}

// within runs f and fails if it takes much longer than one exchange may.
func (b *bench) within(f func()) {
	b.Helper()
	began := time.Now()
	f()
	if took := time.Since(began); took > b.limit+long {
		b.Errorf("took %v where an exchange may take %v", took, b.limit)
	}
}

// ended returns a context that is over.
func ended() context.Context {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	return ctx
}
