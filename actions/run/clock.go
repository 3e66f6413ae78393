package run

import "time"

// A Clock tells the time and wakes. The runner asks nothing else what time it is, so that a simulation and the demo can
// run on theirs. Wall clocks step: whoever waits must look at Now again afterwards.
type Clock interface {
	// Now returns the wall-clock time, UTC.
	Now() time.Time
	// After returns a channel that receives once d has passed by this clock, and a function that gives the timer up.
	After(d time.Duration) (<-chan time.Time, func())
}

// A Tick is one look at the clock. Wall may step either way; Up only grows, and by the time that really passes while the
// machine is awake. What is due is due by Wall; whatever waits for something to take its time goes by Up.
type Tick struct {
	Wall time.Time
	Up   time.Duration // since some instant before this run
}

// ticks returns how to look at c: Up is what its Up method says, where it has one, else what Now has moved on by.
func ticks(c Clock) func() Tick {
	if s, ok := c.(interface{ Up() time.Duration }); ok {
		return func() Tick { return Tick{Wall: c.Now().UTC(), Up: s.Up()} }
	}
	began := c.Now()
	return func() Tick {
		now := c.Now()
		return Tick{Wall: now.UTC(), Up: now.Sub(began)}
	}
}

// System is the machine's clock.
type System struct{}

// started is where [System.Up] counts from; it carries the monotonic reading.
var started = time.Now()

// Now returns the wall-clock time, UTC, without a monotonic reading: recorded times must survive a clock that steps.
func (System) Now() time.Time { return time.Now().UTC().Round(0) }

// Up returns how long this program has run, whatever the clock was set to meanwhile.
func (System) Up() time.Duration { return time.Since(started) }

// After waits on the machine's clock.
func (System) After(d time.Duration) (<-chan time.Time, func()) {
	t := time.NewTimer(d)
	return t.C, func() { t.Stop() }
}

// Fast runs Speed times faster than the machine's clock, and shows Start at the moment Began.
type Fast struct {
	Start time.Time
	Began time.Time // of the machine's clock, with its monotonic reading
	Speed float64
}

// Now returns the fast time. It never steps.
func (f Fast) Now() time.Time {
	return f.Start.Add(time.Duration(float64(time.Since(f.Began)) * f.Speed)).UTC()
}

// After waits d of fast time.
func (f Fast) After(d time.Duration) (<-chan time.Time, func()) {
	t := time.NewTimer(time.Duration(float64(d) / f.Speed))
	return t.C, func() { t.Stop() }
}

// The compiler keeps the clocks to their promise.
var _, _ Clock = System{}, Fast{}
