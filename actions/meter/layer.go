package meter

import (
	"cmp"
	"slices"
)

// Layer puts one series over another: every reading of over counts, and those of under that lie outside all of them. It
// is for sources of which one is trusted more; [Merge] is for those that must agree. Either may be nil; the result is not.
func Layer(over, under *Series) *Series {
	switch {
	case over == nil && under == nil:
		return &Series{}
	case under == nil || over != nil && under.empty():
		return over
	case over == nil || over.empty():
		return under
	}
	out := slices.Clone(over.readings)
	i := 0
	for _, r := range under.readings {
		for i < len(over.readings) && over.readings[i].To <= r.From {
			i++
		}
		if i == len(over.readings) || over.readings[i].From >= r.To {
			out = append(out, r)
		}
	}
	slices.SortFunc(out, func(a, b Reading) int { return cmp.Compare(a.From, b.From) })
	s := &Series{name: over.name + ", " + under.name, readings: out}
	s.index(slices.Concat(over.holes, under.holes))
	return s
}

func (s *Series) empty() bool { return len(s.readings) == 0 && len(s.holes) == 0 }

// Differences counts the readings of next that known does not hold, and those that it holds with another energy. A
// reading is the same where its interval is.
func Differences(known, next *Series) (fresh, changed int) {
	have := make(map[[2]int64]Energy, known.Len())
	for _, r := range known.readings {
		have[[2]int64{r.From, r.To}] = r.Energy
	}
	for _, r := range next.readings {
		switch e, ok := have[[2]int64{r.From, r.To}]; {
		case !ok:
			fresh++
		case e != r.Energy:
			changed++
		}
	}
	return fresh, changed
}
