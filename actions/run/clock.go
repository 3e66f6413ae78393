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

// System is the machine's clock.
type System struct{}

// Now returns the wall-clock time, UTC, without a monotonic reading: recorded times must survive a clock that steps.
func (System) Now() time.Time { return time.Now().UTC().Round(0) }

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

// Now returns the fast time.
func (f Fast) Now() time.Time {
	return f.Start.Add(time.Duration(float64(time.Since(f.Began)) * f.Speed)).UTC()
}

// After waits d of fast time.
func (f Fast) After(d time.Duration) (<-chan time.Time, func()) {
	t := time.NewTimer(time.Duration(float64(d) / f.Speed))
	return t.C, func() { t.Stop() }
}
