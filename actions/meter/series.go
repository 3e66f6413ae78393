package meter

import (
	"math"
	"math/big"
	"sort"
	"time"
)

// A Reading is the energy metered in one interval. From (inclusive) and To (exclusive) are Unix seconds.
type Reading struct {
	From, To  int64
	Energy    Energy
	Estimated bool // by the supplier, or edited by hand
}

// A Hole is a stretch without a usable reading, and why there is none.
type Hole struct {
	From, To int64 // Unix seconds, To exclusive
	Why      string
}

// The reasons of holes.
const (
	NoReading   = "no reading"
	Empty       = "an empty reading"
	Conflicting = "two readings with different values"
	Overlapping = "readings that overlap"
	Forecast    = "a forecast in place of a reading"
)

// A Series is meter data: readings in order of time, none overlapping another. It does not change once made, so it may be
// used by many at once. Make it with [Read], [New] or [Merge].
type Series struct {
	name     string
	readings []Reading
	runs     []Hole // stretches without a hole inside, in order
	holes    []Hole // between runs, and beyond them where the data names them; in order
}

// Len returns the number of readings.
func (s *Series) Len() int { return len(s.readings) }

// Readings returns the readings in order. The slice is the series' own: do not change it.
func (s *Series) Readings() []Reading { return s.readings }

// Holes returns the stretches that hold no usable reading, in order: all between the first and the last reading, and
// beyond them those that the data names. The slice is the series' own.
func (s *Series) Holes() []Hole { return s.holes }

// Bounds returns the stretch that the data speaks of, holes at its ends included; zero times where it speaks of none.
func (s *Series) Bounds() (from, to time.Time) {
	first, last := int64(math.MaxInt64), int64(math.MinInt64)
	if n := len(s.readings); n > 0 {
		first, last = s.readings[0].From, s.readings[n-1].To
	}
	if n := len(s.holes); n > 0 {
		first, last = min(first, s.holes[0].From), max(last, s.holes[n-1].To)
	}
	if first >= last {
		return time.Time{}, time.Time{}
	}
	return time.Unix(first, 0).UTC(), time.Unix(last, 0).UTC()
}

// Covers reports whether readings fill [from, to), given as Unix seconds, without a hole.
func (s *Series) Covers(from, to int64) bool {
	i := sort.Search(len(s.runs), func(i int) bool { return s.runs[i].To > from })
	return i < len(s.runs) && s.runs[i].From <= from && s.runs[i].To >= to
}

// Energy returns the energy metered in [from, to), given as Unix seconds, in microjoules and exactly: a reading that lies
// in it partly counts by time. It returns nil where a hole lies in it.
func (s *Series) Energy(from, to int64) *big.Rat {
	if from >= to || !s.Covers(from, to) {
		return nil
	}
	var whole, sum big.Int
	var parts *big.Rat
	var small int64 // sums up to 512 readings, each below 2^53, before it moves on to whole
	for i, n := s.after(from), 0; i < len(s.readings) && s.readings[i].From < to; i, n = i+1, n+1 {
		r := s.readings[i]
		if share := min(to, r.To) - max(from, r.From); share < r.To-r.From {
			part := big.NewRat(share, r.To-r.From)
			part.Mul(part, new(big.Rat).SetInt64(int64(r.Energy)))
			if parts == nil {
				parts = part
			} else {
				parts.Add(parts, part)
			}
			continue
		}
		if small += int64(r.Energy); n%512 == 511 {
			whole.Add(&whole, big.NewInt(small))
			small = 0
		}
	}
	sum.Add(&whole, big.NewInt(small))
	total := new(big.Rat).SetInt(&sum)
	if parts != nil {
		total.Add(total, parts)
	}
	return total
}

// after returns the index of the first reading that ends later than the instant.
func (s *Series) after(instant int64) int {
	return sort.Search(len(s.readings), func(i int) bool { return s.readings[i].To > instant })
}

// A Cell is an interval, or the part of one that lies in what was asked for. Why is "" where it was metered.
type Cell struct {
	From, To  int64 // Unix seconds, To exclusive
	Why       string
	Estimated bool
}

// Cells cuts [from, to), given as Unix seconds, into the meter's intervals: those that were metered and, on the grid of
// the reading before (or after, where there is none before), those that were not. Without any reading it is one cell.
func (s *Series) Cells(from, to int64) []Cell {
	var out []Cell
	at, i := from, s.after(from)
	for ; i < len(s.readings) && s.readings[i].From < to && at < to; i++ {
		r := s.readings[i]
		if r.From > at {
			out = s.blank(out, i, at, r.From)
		}
		out = append(out, Cell{From: max(from, r.From), To: min(to, r.To), Estimated: r.Estimated})
		at = min(to, r.To)
	}
	if at < to {
		out = s.blank(out, i, at, to)
	}
	return out
}

// blank appends the cells of [from, to), which lies before reading i and holds none.
func (s *Series) blank(out []Cell, i int, from, to int64) []Cell {
	if len(s.readings) == 0 {
		return append(out, Cell{From: from, To: to, Why: NoReading})
	}
	grid := s.readings[max(0, min(i-1, len(s.readings)-1))]
	length := grid.To - grid.From
	for at := from; at < to; {
		next := at + length - mod(at-grid.From, length)
		next = min(next, to)
		out = append(out, Cell{From: at, To: next, Why: s.why(at)})
		at = next
	}
	return out
}

// why returns the reason why nothing was metered at the instant.
func (s *Series) why(instant int64) string {
	i := sort.Search(len(s.holes), func(i int) bool { return s.holes[i].To > instant })
	if i < len(s.holes) && s.holes[i].From <= instant {
		return s.holes[i].Why
	}
	return NoReading
}

func mod(a, b int64) int64 { return ((a % b) + b) % b }
