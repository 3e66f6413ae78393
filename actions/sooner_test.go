package actions

import (
	"testing"
	"time"
)

// What a box was lent may end sooner than was thought, and never later for it.
func TestSooner(t *testing.T) {
	point := Ref{Device: "house_battery", Point: "charge_limit"}
	at := time.Date(2026, 7, 4, 12, 0, 0, 0, time.UTC)
	step := Step{ID: "w-l1", Window: "w", Point: point, Value: Number(100), Hold: "w-l1"}
	for _, c := range []struct {
		name              string
		lent, sooner, end time.Time
	}{
		{"sooner", at.Add(time.Hour), at, at},
		{"no sooner", at, at.Add(time.Hour), at},
		{"nothing was lent", time.Time{}, at, time.Time{}},
	} {
		s := NewStanding()
		s.Apply(Entry{Kind: EntryIntent, Step: step, Tries: 1})
		s.Apply(Entry{Kind: EntrySent, Step: step, Until: c.lent})
		s.Apply(Entry{Kind: EntrySooner, Point: point, Until: c.sooner})
		if got := s.Points[point].Until; !got.Equal(c.end) {
			t.Errorf("%s: it ends at %v, want %v", c.name, got, c.end)
		}
	}
	s := NewStanding()
	s.Apply(Entry{Kind: EntrySooner, Point: point, Until: at})
	if _, known := s.Points[point]; known {
		t.Error("a point that nobody wrote is known by it")
	}
}
