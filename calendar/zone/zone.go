package zone

import (
	"math"
	"time"

	"spillway/calendar/civil"
)

// A Zone is a rule for wall clocks. It is not safe for concurrent use.
type Zone struct {
	name string
	find func(at int64) segment
	last segment // where the last look-up fell
}

// A segment is a stretch of instants, from inclusive and to exclusive, with one offset in seconds east of UTC.
type segment struct {
	from, to int64
	offset   int
}

func (s segment) holds(at int64) bool { return s.from <= at && at < s.to }

// always is all of time.
var always = [2]int64{math.MinInt64, math.MaxInt64}

// UTC returns the zone without offset.
func UTC() *Zone { return Of(time.UTC) }

// Of returns loc as a Zone.
func Of(loc *time.Location) *Zone {
	return &Zone{name: loc.String(), find: func(at int64) segment {
		t := time.Unix(at, 0).In(loc)
		_, offset := t.Zone()
		s := segment{always[0], always[1], offset}
		if from, to := t.ZoneBounds(); true {
			if !from.IsZero() {
				s.from = from.Unix()
			}
			if !to.IsZero() {
				s.to = to.Unix()
			}
		}
		return s
	}}
}

// Name returns the zone's own name, for people.
func (z *Zone) Name() string { return z.name }

func (z *Zone) segment(at int64) segment {
	if !z.last.holds(at) {
		z.last = z.find(at)
	}
	return z.last
}

// Offset returns the offset at an instant, in seconds east of UTC.
func (z *Zone) Offset(at int64) int { return z.segment(at).offset }

// Wall returns what the wall clock shows at an instant.
func (z *Zone) Wall(at int64) civil.Wall { return civil.Wall(at + int64(z.Offset(at))) }

// slack is longer than any offset plus any clock change, in seconds.
const slack = 26 * 3600

// Instant returns when the wall clock shows w, by RFC 5545 3.3.5: the first of the two instants in a fold, and in a gap
// the instant that the offset before it gives.
func (z *Zone) Instant(w civil.Wall) int64 {
	t := int64(w)
	if at := t - int64(z.last.offset); at > z.last.from+slack && at < z.last.to-slack {
		return at // far from any clock change
	}
	before := int64(z.Offset(t - slack))
	if int64(z.Offset(t-before)) == before {
		return t - before
	}
	after := int64(z.Offset(t + slack))
	if int64(z.Offset(t-after)) == after {
		return t - after
	}
	return t - before
}

// Missing reports whether the wall clock never shows w: it lies in a gap.
func (z *Zone) Missing(w civil.Wall) bool { return z.Wall(z.Instant(w)) != w }

// Changes reports by how much the wall clock is moved from one instant to a later one, in seconds.
func (z *Zone) Changes(from, to int64) int {
	if s := z.segment(from); s.holds(to) {
		return 0
	}
	before := z.Offset(from)
	return z.Offset(to) - before
}
