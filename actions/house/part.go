package house

import (
	"math"
	"time"
)

// A part is something that draws from the supply. Between two of its own changes it draws evenly, so the model moves from
// change to change and its sums are exact, not sampled.
type part interface {
	// Draw returns what it draws now, in W, negative where it gives back; rest is what the parts before it draw together.
	Draw(rest float64) float64
	// Lasts returns how long it can go on drawing w before it must change by itself; forever where nothing ends it.
	Lasts(w float64) time.Duration
	// Take moves the part on by d at w.
	Take(w float64, d time.Duration)
}

const (
	// forever is longer than any step of the model.
	forever = time.Duration(math.MaxInt64)
	// shortest keeps rounding from making the model stand still: 1 ms of 5 kW is 1.4 mWh.
	shortest = time.Millisecond
)

// hours returns the time that amount takes at rate per hour, at least shortest; forever where it never happens.
func hours(amount, rate float64) time.Duration {
	if rate <= 0 || amount/rate > 24*365 {
		return forever
	}
	return max(shortest, time.Duration(math.Ceil(amount/rate*float64(time.Hour))))
}

// between keeps x within [low, high].
func between(low, x, high float64) float64 { return math.Max(low, math.Min(x, high)) }
