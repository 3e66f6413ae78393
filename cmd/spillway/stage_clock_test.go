package main

import (
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

const (
	stageSpeed = 100                  // how much faster than the machine's clock a stage runs
	stageBeat  = 2 * time.Millisecond // between two beats of its clock
	mostOfBeat = 5 * time.Millisecond // that one beat moves it on by, times the speed
)

// A stageClock goes stageSpeed times as fast as the machine's, but only by its beats, and by a little at each: while the
// machine has no time for this process, or the process none for the clock, it all but stands still. So what a program has
// time for by this clock does not depend on how busy the machine is.
type stageClock struct {
	mu    sync.Mutex
	speed float64
	now   time.Time // at the last beat
	beat  time.Time // by the machine's clock
	waits map[chan time.Time]time.Time
}

// newStageClock begins a clock at start. It goes until the test is over, and all that was cleaned up after it is too.
func newStageClock(t *testing.T, start time.Time) *stageClock {
	c := &stageClock{speed: stageSpeed, now: start, beat: time.Now(), waits: map[chan time.Time]time.Time{}}
	tick := time.NewTicker(stageBeat)
	over, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		for {
			select {
			case <-tick.C:
				c.beats()
			case <-over:
				return
			}
		}
	}()
	t.Cleanup(func() { tick.Stop(); close(over); <-done })
	return c
}

func (c *stageClock) beats() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now, c.beat = c.read(), time.Now()
	for heard, due := range c.waits {
		if !c.now.Before(due) {
			heard <- c.now
			delete(c.waits, heard)
		}
	}
}

func (c *stageClock) read() time.Time {
	return c.now.Add(time.Duration(float64(min(time.Since(c.beat), mostOfBeat)) * c.speed))
}

// slow has the clock go at a tenth of its pace from now on, or at its pace again.
func (c *stageClock) slow(yes bool) {
	c.beats()
	c.mu.Lock()
	defer c.mu.Unlock()
	c.speed = stageSpeed
	if yes {
		c.speed /= 10
	}
}

// Now never steps.
func (c *stageClock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.read()
}

// After waits d by this clock.
func (c *stageClock) After(d time.Duration) (<-chan time.Time, func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	heard := make(chan time.Time, 1)
	c.waits[heard] = c.read().Add(d)
	return heard, func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		delete(c.waits, heard)
	}
}

func TestStageClock(t *testing.T) {
	start := time.Date(2026, 7, 4, 9, 0, 0, 0, time.UTC)
	synctest.Test(t, func(t *testing.T) {
		c := newStageClock(t, start)
		heard, _ := c.After(90 * time.Second)
		given, stop := c.After(time.Second)
		stop()
		time.Sleep(time.Second)
		if got := c.Now().Sub(start); got != stageSpeed*time.Second {
			t.Errorf("a second is %s", got)
		}
		if at := (<-heard).Sub(start); at < 90*time.Second || at > 91*time.Second {
			t.Errorf("90 s are over after %s", at)
		}
		if len(given) > 0 {
			t.Error("what was given up is heard")
		}
		c.slow(true)
		before := c.Now()
		time.Sleep(time.Second)
		if got := c.Now().Sub(before); got != stageSpeed/10*time.Second {
			t.Errorf("a slow second is %s", got)
		}
	})
	// It had no turn for a minute.
	c := &stageClock{speed: stageSpeed, now: start, beat: time.Now().Add(-time.Minute)}
	if got := c.Now().Sub(start); got != stageSpeed*mostOfBeat {
		t.Errorf("it went on by %s without a beat", got)
	}
	c.beats()
	if got := c.now.Sub(start); got != stageSpeed*mostOfBeat {
		t.Errorf("it made up for what it missed: %s", got)
	}
}
