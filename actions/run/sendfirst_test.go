package run

import (
	"slices"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/journal"
)

// Where nothing but the clock asks for a new plan, what is due goes before it is made; news and guards come first.
func TestDueGoesBeforeThePlan(t *testing.T) {
	start := clock("2026-11-25 12:00")
	for _, c := range []struct {
		name   string
		guard  bool
		news   bool          // the feed holds another window
		behind time.Duration // how long after the start the machine is called
		first  bool
	}{
		{name: "the clock alone", first: true},
		{name: "a guard is decided", guard: true},
		{name: "news of the feed", news: true},
		{name: "the start was slept over", behind: time.Minute},
	} {
		t.Run(c.name, func(t *testing.T) {
			f := newFleet(1, 2)
			f.procedures(1, 1)
			if s := &f.premises.Procedures[0].During[0]; c.guard {
				s.Guard = &actions.Guard{Point: ref("device0000_0.point1"), Op: ">", Value: actions.Number(1)}
			}
			f.window(0, start, start.Add(time.Hour), false)
			j, err := journal.Open(t.TempDir(), journal.Options{})
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { _ = j.Close() })
			m := NewMachine(Settings{Premises: f.premises, Journal: j, Horizon: 24 * time.Hour, Feeds: []string{"fleet"}})
			tick := func(at time.Time, events ...Event) []Effect {
				effects, _ := m.Handle(Tick{Wall: at, Up: at.Sub(start.Add(-time.Hour))}, events...)
				return effects
			}
			tick(start.Add(-time.Minute), Polled{Feed: "fleet", Good: true, Events: 1, Windows: f.windows})
			answer(m, tick, start.Add(-5*time.Second))
			made := m.plan.At
			now := start.Add(c.behind)
			var news []Event
			if c.news {
				f.window(0, start.Add(2*time.Hour), start.Add(3*time.Hour), false)
				news = append(news, Polled{Feed: "fleet", Good: true, Events: 2, Windows: f.windows})
			}
			effects := tick(now, news...)
			wrote := slices.ContainsFunc(effects, func(e Effect) bool { _, is := e.(Write); return is })
			if first := wrote && m.plan.At.Equal(made); first != c.first {
				t.Errorf("sent before the plan was made again: %t, want %t (%d effects, sent %t)", first, c.first, len(effects), wrote)
			}
			tick(now)
			if !m.plan.At.Equal(now) {
				t.Errorf("the plan is of %v still", m.plan.At)
			}
		})
	}
}

// answer gives every reading that is asked for at the instant.
func answer(m *Machine, tick func(time.Time, ...Event) []Effect, at time.Time) {
	for range 10 {
		var events []Event
		for _, e := range tick(at) {
			if r, ok := e.(Read); ok {
				events = append(events, ReadDone{Ref: r.Point.Ref, ID: r.ID, Value: actions.Number(100), Session: 1, At: at})
			}
		}
		if len(events) == 0 {
			return
		}
		for _, e := range tick(at, events...) {
			if r, ok := e.(Read); ok {
				tick(at, ReadDone{Ref: r.Point.Ref, ID: r.ID, Value: actions.Number(100), Session: 1, At: at})
			}
		}
	}
}
