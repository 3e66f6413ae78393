package modbus

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"spillway/actions"
	"spillway/actions/link"
)

// lent makes a point's values end by themselves.
func lent(p *actions.Point, lasts time.Duration, timer actions.Register) *actions.Point {
	a := *p.Write
	a.Lasts, a.Timer = lasts, &timer
	p.Write = &a
	return p
}

func plainRegister(number uint16, kind string) *actions.Register {
	return &actions.Register{Table: "holding", Number: number, Type: kind, Scale: 1, Bit: -1}
}

func term(d time.Duration) link.Term { return link.Term{For: d, Until: time.Now().Add(d)} }

// writes returns the writing requests that came, as "function address words".
func (b *box) writes() (list []string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, pdu := range b.requests {
		switch pdu[0] {
		case 6:
			list = append(list, fmt.Sprintf("6 %d %x", int(pdu[1])<<8|int(pdu[2]), pdu[3:5]))
		case 16:
			list = append(list, fmt.Sprintf("16 %d %x", int(pdu[1])<<8|int(pdu[2]), pdu[6:]))
		}
	}
	return list
}

// The reversion timers of models 124 and 704 take seconds (SunSpec model definitions: InOutWRte_RvrtTms, WSetRvrtTms, both
// in Secs), and are written before the value that they end.
func TestSunSpecTimers(t *testing.T) {
	b := started(t)
	at := b.lay(40000, [2]uint16{1, 66}, [2]uint16{124, 24}, [2]uint16{704, 65})
	rate := lent(writable(spoint("InWRte", 124)), time.Hour, actions.Register{Model: 124, Name: "InOutWRte_RvrtTms", Scale: 1, Bit: -1})
	set := lent(writable(spoint("WSet", 704)), 30*time.Minute, actions.Register{Model: 704, Name: "WSetRvrtTms", Scale: 1, Bit: -1})
	l := open(t, b.Spec(), rate, set)
	lender := l.(link.Lender)
	if err := lender.Lend(t.Context(), rate, actions.Number(50), term(20*time.Minute)); err != nil {
		t.Error(err)
	}
	if err := lender.Lend(t.Context(), set, actions.Number(2500), term(90*time.Second)); err != nil {
		t.Error(err)
	}
	if err := l.Write(t.Context(), set, actions.Number(0)); err != nil { // the normal, lent for the longest
		t.Error(err)
	}
	want := []string{fmt.Sprintf("6 %d 04b0", at[124]+15), fmt.Sprintf("6 %d 0032", at[124]+13), fmt.Sprintf("16 %d 0000005a", at[704]+31),
		fmt.Sprintf("16 %d 000009c4", at[704]+24), fmt.Sprintf("16 %d 00000708", at[704]+31), fmt.Sprintf("16 %d 00000000", at[704]+24)}
	if d := cmp.Diff(want, b.writes()); d != "" {
		t.Error(d)
	}
}

// Registers that lie side by side are written in one request; others one after the other, the timer first.
func TestPlainTimers(t *testing.T) {
	minutes := plainRegister(22, "uint16")
	minutes.Scale = 60
	for _, c := range []struct {
		name  string
		value *actions.Register
		timer *actions.Register
		want  []string
	}{
		{"behind", plainRegister(21, "int16"), plainRegister(22, "uint16"), []string{"16 21 fff6005b"}},
		{"before", plainRegister(22, "int16"), plainRegister(20, "uint32"), []string{"16 20 0000005bfff6"}},
		{"apart", plainRegister(21, "int16"), plainRegister(30, "uint16"), []string{"6 30 005b", "6 21 fff6"}},
		{"in minutes", plainRegister(21, "int16"), minutes, []string{"16 21 fff60002"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := started(t)
			p := lent(writable(&actions.Point{Ref: actions.Ref{Device: "box", Point: "p"}, Read: &actions.Address{Register: c.value}}), time.Hour, *c.timer)
			l := open(t, b.Spec(), p)
			if err := l.(link.Lender).Lend(t.Context(), p, actions.Number(-10), term(90500*time.Millisecond)); err != nil {
				t.Error(err)
			}
			if d := cmp.Diff(c.want, b.writes()); d != "" {
				t.Error(d)
			}
		})
	}
}

// A box that refuses the time is not given the value, and a timer that cannot hold the longest time is refused at once.
func TestTimerRefused(t *testing.T) {
	b := started(t)
	p := lent(writable(&actions.Point{Ref: actions.Ref{Device: "box", Point: "p"}, Read: &actions.Address{Register: plainRegister(21, "int16")}}), time.Hour, *plainRegister(30, "uint16"))
	l := open(t, b.Spec(), p)
	b.mu.Lock()
	b.exception = 3
	b.mu.Unlock()
	failed(t, l.(link.Lender).Lend(t.Context(), p, actions.Number(10), term(time.Minute)), link.Refused, "exception 3, the box does not take this value (of its timer)")
	if got := b.writes(); !slices.Equal(got, []string{"6 30 003c"}) {
		t.Errorf("%v came", got)
	}
	long := lent(writable(&actions.Point{Ref: actions.Ref{Device: "box", Point: "p"}, Read: &actions.Address{Register: plainRegister(21, "int16")}}), 24*time.Hour, *plainRegister(30, "uint16"))
	_, err := Open(b.Spec(), []*actions.Point{long})
	failed(t, err, link.Impossible, "timer: it cannot take 24h0m0s")
}

// Of a model that a box has twice the first is taken, or the one that nth says.
func TestSunSpecNth(t *testing.T) {
	b := started(t)
	second := b.lay(40000, [2]uint16{1, 66}, [2]uint16{713, 7}, [2]uint16{713, 7})[713]
	b.holding[second-9+4], b.holding[second+4] = 40, 70 // SoC
	nth := func(n int) *actions.Point {
		p := spoint("SoC", 713)
		p.Ref.Point += fmt.Sprint(n)
		p.Read.Register.Nth = n
		return p
	}
	l := open(t, b.Spec(), nth(0), nth(1), nth(2), nth(3))
	reads(t, l, nth(0), actions.Number(40))
	reads(t, l, nth(1), actions.Number(40))
	reads(t, l, nth(2), actions.Number(70))
	_, err := l.Read(t.Context(), nth(3))
	failed(t, err, link.Refused, "the box has that model 2 times only")
}
