package main

import (
	"context"
	"log/slog"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/journal"
)

// soonClock wakes whoever waits an hour or less, and tells of anyone who waits longer.
type soonClock struct {
	now  time.Time
	long chan time.Duration
}

func (c soonClock) Now() time.Time { return c.now }

func (c soonClock) After(d time.Duration) (<-chan time.Time, func()) {
	ch := make(chan time.Time, 1)
	if d <= time.Hour {
		ch <- c.now
	} else {
		c.long <- d
	}
	return ch, func() {}
}

// A program that is started anew each night tidies its journal all the same.
func TestTidyComesSoonAfterTheStart(t *testing.T) {
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	j, err := journal.Open(t.TempDir(), journal.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = j.Close() }()
	ref := actions.Ref{Device: "meter", Point: "import"}
	old := journal.Sample{At: now.Add(-2 * keepReadings), Ref: ref, Value: actions.Number(1)}
	fresh := journal.Sample{At: now.Add(-time.Hour), Ref: ref, Value: actions.Number(2)}
	if err := j.SaveReadings(t.Context(), []journal.Sample{old, fresh}); err != nil {
		t.Fatal(err)
	}
	clock := soonClock{now, make(chan time.Duration)}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	d := &daemon{clock: clock, journal: j, log: slog.New(slog.DiscardHandler)}
	go func() { d.tidy(ctx); close(done) }()
	if wait := <-clock.long; wait != 24*time.Hour {
		t.Errorf("it waits %s for the next time", wait)
	}
	cancel()
	<-done
	got, err := j.Readings(t.Context(), ref, now.Add(-3*keepReadings), now)
	if err != nil || len(got) != 1 || !got[0].At.Equal(fresh.At) {
		t.Errorf("%v, %v are left; want the one of an hour ago", got, err)
	}
}
