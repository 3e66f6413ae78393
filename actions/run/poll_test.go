package run

import (
	"testing"
	"time"
)

// A feed rests until its next poll is due, and not for longer because the clock was set meanwhile.
func TestRestBetweenPolls(t *testing.T) {
	start := clock("2026-07-04 12:00")
	for _, c := range []struct {
		name    string
		by      time.Duration // the clock is set by this
		early   bool          // before next was worked out, else after
		took    time.Duration
		rest    time.Duration
		overdue bool
	}{
		{name: "nothing happens", took: 2 * time.Second, rest: 5 * time.Minute},
		{name: "set back after next was worked out", by: -time.Hour, took: 2 * time.Second, rest: 5 * time.Minute},
		{name: "set back before", by: -time.Hour, early: true, took: 2 * time.Second},
		{name: "set forward after", by: time.Hour, took: 2 * time.Second},
		{name: "set forward before", by: time.Hour, early: true, took: 2 * time.Second, rest: 5 * time.Minute},
		{name: "it is due at once", took: 2 * time.Second, overdue: true},
	} {
		next := start.Add(c.took + 5*time.Minute)
		if c.early {
			next = next.Add(c.by)
		}
		if c.overdue {
			next = start
		}
		now := Tick{Wall: start.Add(c.took + c.by), Up: c.took}
		if got := untilNext(Tick{Wall: start}, now, next); got != c.rest {
			t.Errorf("%s: it rests for %s, want %s", c.name, got, c.rest)
		}
	}
}
