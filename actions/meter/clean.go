package meter

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// New makes a series of readings in any order, and of stretches known to hold none. Readings equal in interval and value
// count once; those that contradict each other become holes. Each kind of finding is one note. It fails where the
// readings cannot be of one meter: more than 20 and more than a tenth of them contradict another.
func New(name string, readings []Reading, missing []Hole) (*Series, []Note, error) {
	sorted := slices.Clone(readings)
	slices.SortStableFunc(sorted, func(a, b Reading) int {
		return cmp.Or(cmp.Compare(a.From, b.From), cmp.Compare(a.To, b.To))
	})
	c := cleaning{holes: slices.Clone(missing)}
	for i := 0; i < len(sorted); {
		j, end := i+1, sorted[i].To
		for j < len(sorted) && sorted[j].From < end {
			end = max(end, sorted[j].To)
			j++
		}
		c.take(sorted[i:j], end)
		i = j
	}
	if c.refused > 20 && c.refused*10 > len(sorted) {
		return nil, nil, fmt.Errorf("%s: %d of %d readings contradict another of the same time, so they are of more than one meter or register: name the one column, or split the file", name, c.refused, len(sorted))
	}
	s := &Series{name: name, readings: c.kept}
	s.index(c.holes)
	return s, s.findings(name, c.equal), nil
}

// A cleaning sorts readings into those kept and holes.
type cleaning struct {
	kept    []Reading
	holes   []Hole
	equal   int // left out as equal to one that was kept
	refused int // left out as contradicting another
}

// take decides on readings that touch the same stretch, which ends at end.
func (c *cleaning) take(group []Reading, end int64) {
	first := group[0]
	same, equal := true, true
	for _, r := range group[1:] {
		same = same && r.From == first.From && r.To == first.To
		equal = equal && r.Energy == first.Energy
		first.Estimated = first.Estimated || r.Estimated
	}
	switch {
	case same && equal:
		c.kept = append(c.kept, first)
		c.equal += len(group) - 1
	case same:
		c.holes = append(c.holes, Hole{first.From, end, Conflicting})
		c.refused += len(group)
	default:
		c.holes = append(c.holes, Hole{first.From, end, Overlapping})
		c.refused += len(group)
	}
}

// index works out runs and holes from the readings; known stretches carry their reason.
func (s *Series) index(known []Hole) {
	for _, r := range s.readings {
		if n := len(s.runs); n > 0 && s.runs[n-1].To == r.From {
			s.runs[n-1].To = r.To
			continue
		}
		s.runs = append(s.runs, Hole{From: r.From, To: r.To})
	}
	slices.SortStableFunc(known, func(a, b Hole) int { return cmp.Compare(a.From, b.From) })
	at := int64(math.MinInt64)
	for i, run := range s.runs {
		known = s.fill(known, at, run.From, i > 0)
		at = run.To
	}
	s.fill(known, at, math.MaxInt64, false)
}

// fill makes holes of [from, to), which no reading touches: the known ones and, where rest is set, what is left of it. It
// returns the known ones that end later.
func (s *Series) fill(known []Hole, from, to int64, rest bool) []Hole {
	for len(known) > 0 && known[0].To <= from {
		known = known[1:]
	}
	for _, k := range known {
		if k.From >= to {
			break
		}
		start, end := max(from, k.From), min(to, k.To)
		if start >= end {
			continue
		}
		if rest && from < start {
			s.holes = append(s.holes, Hole{from, start, NoReading})
		}
		s.holes = append(s.holes, Hole{start, end, k.Why})
		from = end
	}
	if rest && from < to {
		s.holes = append(s.holes, Hole{from, to, NoReading})
	}
	return known
}

// findings says what is worth knowing of a series, one note for each kind.
func (s *Series) findings(name string, equal int) []Note {
	var notes []Note
	say := func(format string, args ...any) {
		notes = append(notes, Note{File: name, Text: fmt.Sprintf(format, args...)})
	}
	if equal > 0 {
		say("%s in the file twice with equal values: counted once", count(equal, "interval is", "intervals are"))
	}
	estimated := 0
	for _, r := range s.readings {
		if r.Estimated {
			estimated++
		}
	}
	if estimated > 0 {
		say("%s estimated or edited, as the file says", count(estimated, "reading is", "readings are"))
	}
	for _, why := range []string{NoReading, Empty, Conflicting, Overlapping, Forecast, NotRecorded, WentBack} {
		var spans []string
		for _, h := range s.holes {
			if h.Why == why {
				spans = append(spans, stretch(h.From, h.To))
			}
		}
		if len(spans) > 0 {
			say("%s: %s", count(len(spans), "gap", "gaps")+" ("+why+")", some(spans))
		}
	}
	return notes
}

// some joins the first few items and says how many more there are.
func some(items []string) string {
	const few = 5
	if len(items) <= few {
		return strings.Join(items, ", ")
	}
	return fmt.Sprintf("%s and %d more", strings.Join(items[:few], ", "), len(items)-few)
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

func stamp(instant int64) string { return time.Unix(instant, 0).UTC().Format("2006-01-02T15:04:05Z") }

func stretch(from, to int64) string { return stamp(from) + " to " + stamp(to) }

var errNothing = errors.New("no reading in it")
