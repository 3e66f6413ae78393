package settle

import (
	"fmt"
	"math/big"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"spillway/actions"
	"spillway/actions/meter"
)

// noisy is a year and a half of half hours in which no two days are alike, with a few gaps.
func noisy(t testing.TB, scale int64) *meter.Series {
	r := rand.New(rand.NewPCG(7, 7))
	return series(t, time.UTC, "2025-06-01T00:00:00Z", "2026-12-01T00:00:00Z", 30, func(time.Time) int64 {
		e := r.Int64N(2000)
		if r.IntN(2000) == 0 {
			return -1
		}
		return e * scale
	})
}

func anyWindow(t *rapid.T, label string) actions.Window {
	start := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(rapid.IntRange(0, 330*288).Draw(t, label+" start")) * 5 * time.Minute)
	length := time.Duration(rapid.IntRange(1, 60).Draw(t, label+" length")) * 5 * time.Minute
	return actions.Window{ID: label, Start: start, End: start.Add(length), Procedure: "surplus"}
}

func anyTerms(t *rapid.T) actions.Terms {
	x := defaultTerms()
	x.Like = rapid.SampledFrom([]string{"workday", "weekday", "every"}).Draw(t, "like")
	x.Pick = rapid.SampledFrom([]string{"all", "highest", "middle", "lowest"}).Draw(t, "pick")
	x.Adjust = rapid.SampledFrom([]string{"none", "add", "scale"}).Draw(t, "adjust")
	x.Floor = rapid.SampledFrom([]string{"interval", "window", "none"}).Draw(t, "floor")
	x.Days = rapid.IntRange(1, 12).Draw(t, "days")
	x.DaysOff = rapid.IntRange(1, 6).Draw(t, "days off")
	x.Keep = rapid.IntRange(1, 12).Draw(t, "keep")
	x.Fewest = rapid.IntRange(1, 5).Draw(t, "fewest")
	x.Rate, x.Currency = "0.245", "GBP"
	return x
}

func equal(a, b *big.Rat) bool {
	if a == nil || b == nil {
		return a == nil && b == nil
	}
	return a.Cmp(b) == 0
}

// What holds of any settlement.
func TestProperties(t *testing.T) {
	zone := london(t)
	once, thrice := noisy(t, 1), noisy(t, 3)
	rapid.Check(t, func(t *rapid.T) {
		w := anyWindow(t, "w")
		windows := []actions.Window{w}
		for i := range rapid.IntRange(0, 20).Draw(t, "others") {
			windows = append(windows, anyWindow(t, fmt.Sprint("o", i)))
		}
		x := []actions.Terms{anyTerms(t)}
		s := New(Books{Zone: zone, Meter: once, Windows: windows})
		up := s.Window(w, actions.TurnUp, x)

		shuffled := New(Books{Zone: zone, Meter: once, Windows: rapid.Permutation(windows).Draw(t, "order")}).Window(w, actions.TurnUp, x)
		if d := cmp.Diff(fmt.Sprint(up.Days, up.Problems, figures(up)), fmt.Sprint(shuffled.Days, shuffled.Problems, figures(shuffled))); d != "" {
			t.Fatalf("the order of windows matters:\n%s", d)
		}

		more := New(Books{Zone: zone, Meter: thrice, Windows: windows}).Window(w, actions.TurnUp, x)
		if up.Gain != nil && more.Gain.Cmp(new(big.Rat).Mul(up.Gain, big.NewRat(3, 1))) != 0 {
			t.Fatalf("three times the use: gain %s, not three times %s", more.Gain, up.Gain)
		}

		down := s.Window(w, actions.TurnDown, x)
		if x[0].Floor == "none" && up.Gain != nil && up.Gain.Cmp(new(big.Rat).Neg(down.Gain)) != 0 {
			t.Fatalf("up %s, down %s", up.Gain, down.Gain)
		}
		checkResult(t, s, &up)
	})
}

// checkResult fails on a result that breaks a rule of DESIGN, Meter and settlement.
func checkResult(t *rapid.T, s *Settler, r *Result) {
	var gain, metered tally
	at := r.Window.Start
	for _, slot := range r.Slots {
		if !slot.Start.Equal(at) || !slot.End.After(slot.Start) {
			t.Fatalf("slot %s to %s after %s", slot.Start, slot.End, at)
		}
		at = slot.End
		gain.add(slot.Gain)
		metered.add(slot.Metered)
		if slot.Baseline != nil && slot.Baseline.Sign() < 0 || r.Terms.Floor == "interval" && slot.Gain != nil && slot.Gain.Sign() < 0 {
			t.Fatalf("below zero: %s", figures(*r))
		}
	}
	if !at.Equal(r.Window.End) {
		t.Fatalf("slots end at %s", at)
	}
	total := gain.sum()
	if total != nil && r.Terms.Floor == "window" && total.Sign() < 0 {
		total = new(big.Rat)
	}
	if !equal(total, r.Gain) || !equal(metered.sum(), r.Metered) || (r.Gain == nil) != (r.Credit == nil) {
		t.Fatalf("gain %v of slots %v, metered %v of %v, credit %v", r.Gain, total, r.Metered, metered.sum(), r.Credit)
	}
	checkDays(t, s, r)
}

func checkDays(t *rapid.T, s *Settler, r *Result) {
	start := DateOf(r.Window.Start, s.zone)
	if !slices.IsSortedFunc(r.Days, func(a, b Date) int { return int(b - a) }) {
		t.Fatalf("days %v are not newest first", r.Days)
	}
	for _, d := range r.Days {
		first, next := time.Unix(d.begin(s.zone), 0), time.Unix((d+1).begin(s.zone), 0)
		off := func(d Date) bool { w := d.Weekday(); return w == time.Saturday || w == time.Sunday }
		switch {
		case d >= start || d < start-60:
			t.Fatalf("%s is outside the look-back from %s", d, start)
		case next.Sub(first) != 24*time.Hour:
			t.Fatalf("%s has a clock change", d)
		case !s.meter.Covers(first.Unix(), next.Unix()):
			t.Fatalf("%s has a gap", d)
		case r.Terms.Like == "workday" && off(d) != off(start), r.Terms.Like == "weekday" && d.Weekday() != start.Weekday():
			t.Fatalf("%s is not like %s", d, start)
		}
		for _, o := range s.books.Windows {
			if o.ID != r.Window.ID && o.Start.Before(next) && o.End.After(first) {
				t.Fatalf("%s has window %s", d, o.ID)
			}
		}
	}
}

// A window cut in two at any minute: metered and baseline add up, as both parts have the same like days.
func TestSplit(t *testing.T) {
	zone := london(t)
	data := noisy(t, 1)
	rapid.Check(t, func(t *rapid.T) {
		whole := anyWindow(t, "w")
		cut := whole.Start.Add(time.Duration(rapid.IntRange(1, int(whole.End.Sub(whole.Start)/time.Minute)-1).Draw(t, "cut")) * time.Minute)
		if DateOf(whole.Start, zone) != DateOf(cut, zone) {
			return // the second part's day is another
		}
		first, second := whole, whole
		first.End, second.Start = cut, cut
		x := terms(func(x *actions.Terms) { x.Floor = "none" })
		s := New(Books{Zone: zone, Meter: data, Windows: []actions.Window{whole}})
		a, b, c := s.Window(first, actions.TurnUp, x), s.Window(second, actions.TurnUp, x), s.Window(whole, actions.TurnUp, x)
		if !slices.Equal(a.Days, c.Days) || !slices.Equal(b.Days, c.Days) || a.Gain == nil || b.Gain == nil {
			return // a gap in an interval after midnight
		}
		if sum := new(big.Rat).Add(a.Gain, b.Gain); sum.Cmp(c.Gain) != 0 {
			t.Fatalf("%s and %s make %s, not %s", a.Gain, b.Gain, sum, c.Gain)
		}
	})
}

// A thousand windows on a year of half hours: to be settled in under a second, and linear in windows.
func BenchmarkSettle(b *testing.B) {
	data := noisy(b, 1)
	for _, n := range []int{1, 10, 100, 1000} {
		b.Run(fmt.Sprintf("%d windows", n), func(b *testing.B) {
			var windows []actions.Window
			for i := range n { // twenty on every seventh day, so that there are like days between
				start := time.Date(2025, 12, 1+i/20*7, i%20, 30, 0, 0, time.UTC)
				windows = append(windows, actions.Window{ID: fmt.Sprint(i), Start: start, End: start.Add(time.Hour), Procedure: "surplus"})
			}
			for _, adjust := range []string{"none", "scale"} {
				b.Run(adjust, func(b *testing.B) {
					p := &actions.Premises{Procedures: []actions.Procedure{{Name: "surplus", Direction: actions.TurnUp, Terms: terms(func(x *actions.Terms) {
						x.Adjust, x.Pick, x.Keep, x.Fewest = adjust, "middle", 6, 1
					})}}}
					for b.Loop() {
						s := New(Books{Zone: time.UTC, Meter: data, Windows: windows})
						if got := s.All(p, windows[0].Start, windows[n-1].End); len(got) != n || got[n/2].Gain == nil {
							b.Fatal(len(got), got[n/2].Problems)
						}
					}
				})
			}
		})
	}
}
