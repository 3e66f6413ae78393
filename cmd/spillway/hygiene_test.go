package main

import (
	"context"
	"errors"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/journal"
	"spillway/actions/link"
	"spillway/actions/run"
	"spillway/config"
)

// handClock stands until it is set.
type handClock struct {
	mu  sync.Mutex
	now time.Time
}

func (c *handClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.now
}

func (c *handClock) set(t time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = t
}

// After never comes.
func (c *handClock) After(time.Duration) (<-chan time.Time, func()) { return nil, func() {} }

// thermometer is a link with one point to read.
type thermometer struct {
	link.Link
	reads int
	value actions.Value
	err   error
}

func (l *thermometer) Read(context.Context, *actions.Point) (actions.Value, error) {
	l.reads++
	return l.value, l.err
}

// boiler is a daemon with a tank that is to reach 60 °C every 7 days.
func boiler(t *testing.T, state string, clock run.Clock) (*daemon, *thermometer) {
	t.Helper()
	j, err := journal.Open(state, journal.Options{Now: clock.Now})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = j.Close() })
	level := actions.Point{Ref: actions.Ref{Device: "cylinder", Point: "temperature"}, Unit: "°C", Read: &actions.Address{Path: "t"}}
	d := &daemon{clock: clock, log: slog.New(slog.DiscardHandler), journal: j, links: map[string]link.Link{}, cfg: &config.Config{}}
	d.cfg.Premises = actions.Premises{Zone: time.UTC, Links: []actions.Link{{Name: "boiler_house", Timeout: time.Second}},
		Devices: []actions.Device{
			{Name: "buffer", Kind: actions.Tank, Link: "boiler_house", Enabled: true, Level: "temperature"},
			{Name: "cylinder", Kind: actions.Tank, Link: "boiler_house", Enabled: true, Level: "temperature", Points: []actions.Point{level},
				Hygiene: actions.Hygiene{ReachC: 60, Every: 7 * 24 * time.Hour}},
		}}
	l := &thermometer{}
	d.links["boiler_house"] = l
	if d.hygiene, err = newHygiene(t.Context(), d); err != nil {
		t.Fatal(err)
	}
	return d, l
}

func TestHygiene(t *testing.T) {
	const day = 24 * time.Hour
	start := time.Date(2026, 7, 4, 12, 0, 0, 0, time.UTC)
	clock := &handClock{now: start}
	state := t.TempDir()
	d, l := boiler(t, state, clock)
	read := func(in time.Duration, v actions.Value, err error) {
		t.Helper()
		clock.set(start.Add(in))
		l.value, l.err = v, err
		for _, tank := range d.hygiene.tanks {
			d.hygiene.read(t.Context(), tank)
		}
	}
	due := func(name string, want time.Duration, words string) {
		t.Helper()
		list := d.hygiene.faults()
		if len(list) != 1 {
			t.Fatalf("%s: %d faults, want 1", name, len(list))
		}
		if f := list[0]; !f.Due.Equal(start.Add(want)) || f.Key != "hygiene cylinder" || !strings.Contains(f.What, words) {
			t.Errorf("%s: %+v, want it due at %s", name, f, start.Add(want))
		}
		kept, err := hygieneDue(t.Context(), &d.journal.Reader, &d.cfg.Premises)
		if plan := d.hygiene.due(); len(plan) != 1 || !plan["cylinder"].Equal(start.Add(want)) || err != nil || len(kept) != 1 {
			t.Errorf("%s: to the plan it is due at %v, from the journal %v %v", name, plan, kept, err)
		}
	}
	if len(d.hygiene.tanks) != 1 {
		t.Fatalf("%d tanks are watched, want 1: only one has a hygiene temperature", len(d.hygiene.tanks))
	}
	read(0, actions.Value{}, errors.New("no answer"))
	if list := d.hygiene.faults(); len(list) > 0 {
		t.Errorf("a tank that was never read is overdue: %v", list)
	}
	read(time.Hour, actions.Number(48), nil)
	due("watched from then on", time.Hour+7*day, "60 °C, wanted every 7d, was not seen since it is watched, on Sat 4 Jul")
	read(day, actions.Number(59.9), nil)
	due("nearly", time.Hour+7*day, "was not seen")
	read(2*day, actions.Number(60), nil)
	due("reached", 9*day, "was seen last on Mon 6 Jul")
	read(2*day+10*time.Minute, actions.Number(61), nil)
	due("and still", 9*day+10*time.Minute, "was seen last")
	read(3*day, actions.Named("off"), nil)
	due("a name is no temperature", 9*day+10*time.Minute, "was seen last")

	// A reading of the runner's counts as much, and spares one of our own.
	reads := l.reads
	d.hygiene.take(actions.Ref{Device: "cylinder", Point: "temperature"}, actions.Number(62), start.Add(4*day))
	d.hygiene.take(actions.Ref{Device: "van", Point: "temperature"}, actions.Number(90), start.Add(5*day))
	due("seen by the runner", 11*day, "was seen last on Wed 8 Jul")
	read(4*day+5*time.Minute, actions.Number(20), nil)
	if l.reads != reads {
		t.Error("the tank is asked though the runner has just read it")
	}

	// A restart remembers, and finds what a window's readings show.
	if err := d.journal.SaveReadings(t.Context(), []journal.Sample{{At: start.Add(5 * day), Ref: d.hygiene.tanks[0].point.Ref, Value: actions.Number(65)}}); err != nil {
		t.Fatal(err)
	}
	_ = d.journal.Close()
	clock.set(start.Add(6 * day))
	d, l = boiler(t, state, clock)
	due("remembered", 12*day, "was seen last on Thu 9 Jul")
	_ = d.journal.Close()
	clock.set(start.Add(20 * day))
	d, l = boiler(t, state, clock)
	due("written down", 11*day, "was seen last on Wed 8 Jul")

	// A clock that was ahead keeps nothing from being seen.
	read(1000*day, actions.Number(70), nil)
	read(21*day, actions.Number(66), nil)
	due("the clock is right again", 28*day, "was seen last on Sat 25 Jul")
}
