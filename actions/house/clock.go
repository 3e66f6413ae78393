package house

import "time"

// A Clock tells the time and wakes. It may run faster than the machine's clock, but never backwards.
type Clock interface {
	// Now returns the wall-clock time, UTC.
	Now() time.Time
	// After returns a channel that receives once d has passed by this clock, and a function that gives the timer up.
	After(d time.Duration) (<-chan time.Time, func())
}
