package linktest

import (
	"runtime"
	"sync"
	"time"

	"spillway/actions"
	"spillway/actions/link"
)

func accepts(b *bench) {
	l := b.begin()
	b.write(b.number, actions.Number(1234))
	b.write(b.named, actions.Named("on"))
	b.eventually("both values at the box", func() bool {
		return b.peer.Has(b.number) == actions.Number(1234) && b.peer.Has(b.named) == actions.Named("on")
	})
	b.reads(b.number, actions.Number(1234))
	b.reads(b.named, actions.Named("on"))
	b.write(b.number, actions.Number(0))
	b.reads(b.number, actions.Number(0))
	if n := b.peer.Commands(); n != 3 {
		b.Errorf("%d commands arrived, 3 were sent", n)
	}
	session := l.Session()
	if _, err := l.Read(b.Context(), b.named); err != nil || l.Session() != session {
		b.Errorf("session %d became %d without a loss (%v)", session, l.Session(), err)
	}
}

func readsHands(b *bench) {
	b.begin()
	b.peer.Put(b.number, actions.Number(77))
	b.peer.Put(b.named, actions.Named("on"))
	b.reads(b.number, actions.Number(77))
	b.reads(b.named, actions.Named("on"))
	b.peer.Put(b.number, actions.Number(78))
	b.reads(b.number, actions.Number(78))
	if n := b.peer.Commands(); n != 0 {
		b.Errorf("reading sent %d commands", n)
	}
}

func sendsNothingImpossible(b *bench) {
	l := b.begin()
	stranger := &actions.Point{Ref: actions.Ref{Device: "box", Point: "stranger"}}
	for _, c := range []struct {
		p *actions.Point
		v actions.Value
	}{
		{b.number, actions.Number(5001)}, {b.number, actions.Named("on")}, {b.number, actions.Value{}},
		{b.named, actions.Named("half")}, {b.named, actions.Number(7)}, {stranger, actions.Number(1)},
	} {
		b.fails(l.Write(b.Context(), c.p, c.v), link.Impossible)
	}
	_, err := l.Read(b.Context(), stranger)
	b.fails(err, link.Impossible)
	if n := b.peer.Commands(); n != 0 {
		b.Errorf("%d commands arrived", n)
	}
}

func sendsNothingAfterItsTime(b *bench) {
	l := b.begin()
	b.fails(l.Write(ended(), b.number, actions.Number(5)), link.Unreachable)
	b.write(b.named, actions.Named("on")) // whatever came before it would have arrived
	b.reads(b.named, actions.Named("on"))
	if n := b.peer.Commands(); n != 1 || b.peer.Has(b.number) != actions.Number(0) {
		b.Errorf("%d commands arrived, the number is %v", n, b.peer.Has(b.number))
	}
}

func refuses(b *bench) {
	l := b.begin()
	b.peer.Behave(Refuse, 0)
	b.fails(l.Write(b.Context(), b.number, actions.Number(5)), link.Refused)
	b.fails(l.Write(b.Context(), b.named, actions.Named("on")), link.Refused)
	if v := b.peer.Has(b.number); v != actions.Number(0) {
		b.Errorf("the box has %v", v)
	}
	b.peer.Behave(Accept, 0)
	b.write(b.number, actions.Number(6))
	b.reads(b.number, actions.Number(6))
}

func timesOut(b *bench) {
	l := b.begin()
	b.peer.Behave(Silent, 0)
	b.within(func() { b.fails(l.Write(b.Context(), b.number, actions.Number(5)), link.Unknown) })
	if !b.traits.Hears {
		b.within(func() {
			_, err := l.Read(b.Context(), b.number)
			b.fails(err, link.Unknown)
		})
	}
	b.peer.Behave(Accept, 0)
	b.reads(b.named, actions.Named("off"))
	b.eventually("a command after the silence", func() bool {
		return l.Write(b.Context(), b.named, actions.Named("on")) == nil
	})
	b.reads(b.named, actions.Named("on"))
}

func losesACommand(b *bench) {
	l := b.begin()
	b.peer.Behave(Lossy, 0)
	b.write(b.number, actions.Number(5))
	b.eventually("the command at the box", func() bool { return b.peer.Commands() == 1 })
	b.peer.Behave(Accept, 0)
	b.write(b.named, actions.Named("on"))
	b.reads(b.named, actions.Named("on"))
	if v, err := l.Read(b.Context(), b.number); err != nil || v != actions.Number(0) {
		b.Errorf("the number reads %v, %v; its command was lost and must not be sent again", v, err)
	}
	if n := b.peer.Commands(); n != 2 {
		b.Errorf("%d commands arrived, 2 were sent", n)
	}
}

func answersLate(b *bench) {
	b.begin()
	b.peer.Behave(Late, short/4)
	b.within(func() { b.write(b.number, actions.Number(5)) })
	b.reads(b.number, actions.Number(5))
	if n := b.peer.Commands(); n != 1 {
		b.Errorf("%d commands arrived, 1 was sent", n)
	}
}

// answersTooLate checks that the answer to one question is not taken for the answer to the next.
func answersTooLate(b *bench) {
	late := 2 * b.limit
	if b.traits.Unnumbered { // in the middle of that half, and the half is a second and more
		b.limit *= 3
		late = b.limit + b.limit/4
	}
	l := b.begin()
	b.peer.Put(b.number, actions.Number(1))
	b.peer.Put(b.named, actions.Named("off"))
	b.reads(b.number, actions.Number(1))
	b.peer.Behave(Late, late)
	b.within(func() { b.fails(l.Write(b.Context(), b.named, actions.Named("on")), link.Unknown) })
	if !b.traits.Hears {
		b.within(func() {
			_, err := l.Read(b.Context(), b.number)
			b.fails(err, link.Unknown)
		})
	}
	b.peer.Behave(Accept, 0)
	if !b.traits.Kills {
		b.eventually("the late command", func() bool { return b.peer.Has(b.named) == actions.Named("on") })
		b.reads(b.named, actions.Named("on"))
	}
	b.reads(b.number, actions.Number(1))
	if n := b.peer.Commands(); n != 1 {
		b.Errorf("%d commands arrived, 1 was sent", n)
	}
}

func givesRubbish(b *bench) {
	l := b.begin()
	b.peer.Behave(Rubbish, 0)
	b.peer.Put(b.number, actions.Number(9))
	b.eventually("rubbish", func() bool {
		_, err := l.Read(b.Context(), b.number)
		if err != nil {
			b.fails(err, link.Rubbish)
		}
		return err != nil
	})
	b.peer.Behave(Accept, 0)
	b.peer.Put(b.number, actions.Number(10))
	b.reads(b.number, actions.Number(10))
}

// neverEnds allows 64 MiB in all for a far end that offers more than any value needs, again and again.
func neverEnds(b *bench) {
	l := b.begin()
	runtime.GC()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	b.peer.Behave(Endless, 0)
	b.peer.Put(b.number, actions.Number(9))
	b.eventually("an error", func() bool {
		_, err := l.Read(b.Context(), b.number)
		if err != nil {
			b.fails(err, link.Rubbish, link.Unknown, link.Unreachable, link.Refused, link.NotYet)
		}
		return err != nil
	})
	runtime.ReadMemStats(&after)
	if grown := after.TotalAlloc - before.TotalAlloc; grown > 64<<20 {
		b.Errorf("one endless answer cost %d MiB", grown>>20)
	}
	b.peer.Behave(Accept, 0)
	b.eventually("a reading after it", func() bool {
		b.peer.Put(b.number, actions.Number(10))
		v, err := l.Read(b.Context(), b.number)
		return err == nil && v == actions.Number(10)
	})
}

func reconnects(b *bench) {
	l := b.begin()
	b.write(b.number, actions.Number(1))
	b.reads(b.number, actions.Number(1))
	session := l.Session()
	for range 2 {
		b.peer.Cut()
		b.eventually("an unreachable box", func() bool {
			err := l.Write(b.Context(), b.number, actions.Number(2))
			b.fails(err, link.Unreachable, link.Unknown)
			return link.ClassOf(err) == link.Unreachable
		})
		b.eventually("an unreadable box", func() bool {
			_, err := l.Read(b.Context(), b.number)
			return link.ClassOf(err) == link.Unreachable
		})
		b.peer.Put(b.number, actions.Number(3))
		b.peer.Mend()
		b.reads(b.number, actions.Number(3)) // and not what was heard before, nor what was written meanwhile
		if now := l.Session(); now == session {
			b.Errorf("the session is still %d after a loss", session)
		}
		session = l.Session()
	}
	b.write(b.number, actions.Number(4))
	b.reads(b.number, actions.Number(4))
	if n := b.peer.Commands(); n != 2 {
		b.Errorf("%d commands arrived; 2 were sent while the box was there", n)
	}
}

func opensBefore(b *bench) {
	b.peer.Cut()
	l := b.dial()
	b.fails(l.Write(b.Context(), b.number, actions.Number(2)), link.Unreachable)
	_, err := l.Read(b.Context(), b.number)
	b.fails(err, link.Unreachable)
	b.peer.Mend()
	b.reads(b.number, actions.Number(0))
	b.write(b.number, actions.Number(7))
	b.reads(b.number, actions.Number(7))
	if n := b.peer.Commands(); n != 1 {
		b.Errorf("%d commands arrived, 1 was sent while the box was there", n)
	}
}

func manyAtOnce(b *bench) {
	const each = 5
	l := b.begin()
	var wg sync.WaitGroup
	for i := range 4 {
		wg.Go(func() {
			for range each {
				if err := writePatiently(b, l, actions.Number(float64(i))); err != nil {
					b.Errorf("write: %v", err)
				}
				if _, err := l.Read(b.Context(), b.named); err != nil && link.ClassOf(err) != link.Unreachable {
					b.Errorf("read: %v", err)
				}
				l.Session()
			}
		})
	}
	wg.Wait()
	b.eventually("all commands", func() bool { return b.peer.Commands() >= 4*each })
	if n := b.peer.Commands(); n != 4*each {
		b.Errorf("%d commands arrived, %d were sent", n, 4*each)
	}
}

// writePatiently tries again while the turn of the command did not come, which is no fault of the link.
func writePatiently(b *bench, l link.Link, v actions.Value) error {
	for {
		err := l.Write(b.Context(), b.number, v)
		if link.ClassOf(err) != link.Unreachable || b.Context().Err() != nil {
			return err
		}
	}
}

func closesUnderWay(b *bench) {
	l := b.begin()
	b.peer.Behave(Silent, 0)
	written := make(chan error, 1)
	go func() { written <- l.Write(b.Context(), b.number, actions.Number(5)) }()
	b.eventually("the command on its way", func() bool { return b.peer.Commands() == 1 })
	began := time.Now()
	if err := l.Close(); err != nil {
		b.Errorf("close: %v", err)
	}
	if took := time.Since(began); took > b.limit+long {
		b.Errorf("close took %v", took)
	}
	b.fails(<-written, link.Unknown)
	b.fails(l.Write(b.Context(), b.number, actions.Number(6)), link.Unreachable)
	_, err := l.Read(b.Context(), b.number)
	b.fails(err, link.Unreachable)
	if n := b.peer.Commands(); n != 1 {
		b.Errorf("%d commands arrived, 1 was sent", n)
	}
}
