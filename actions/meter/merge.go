package meter

import (
	"cmp"
	"fmt"
	"slices"
)

// Merge puts the data of several files together. Files that hold the same interval must agree on it: a reading twice is
// one reading, and a coarser reading equals the sum of the finer ones, which are kept. Where they do not, Merge fails with
// one line that names both files and the first such time.
func Merge(list ...*Series) (*Series, []Note, error) {
	if len(list) == 0 {
		return &Series{}, nil, nil
	}
	merged := list[0]
	var notes []Note
	for _, next := range list[1:] {
		m := merger{a: merged, b: next}
		if err := m.run(); err != nil {
			return nil, nil, err
		}
		name := merged.name + ", " + next.name
		if m.shared > 0 {
			notes = append(notes, Note{File: next.name, Text: fmt.Sprintf("%s also in %s, and agree", count(m.shared, "interval is", "intervals are"), merged.name)})
		}
		slices.SortFunc(m.out, func(x, y Reading) int { return cmp.Compare(x.From, y.From) })
		known := slices.Concat(merged.holes, next.holes)
		merged = &Series{name: name, readings: m.out}
		merged.index(known)
	}
	return merged, notes, nil
}

// A merger walks two series side by side.
type merger struct {
	a, b   *Series
	i, j   int
	out    []Reading
	shared int
}

func (m *merger) run() error {
	a, b := m.a.readings, m.b.readings
	for m.i < len(a) && m.j < len(b) {
		x, y := a[m.i], b[m.j]
		switch {
		case x.To <= y.From:
			m.out = append(m.out, x)
			m.i++
		case y.To <= x.From:
			m.out = append(m.out, y)
			m.j++
		case x.To-x.From >= y.To-y.From:
			n, err := m.finer(x, b[m.j:])
			if err != nil {
				return err
			}
			m.i, m.j = m.i+1, m.j+n
		default:
			n, err := m.finer(y, a[m.i:])
			if err != nil {
				return err
			}
			m.i, m.j = m.i+n, m.j+1
		}
	}
	m.out = append(append(m.out, a[m.i:]...), b[m.j:]...)
	return nil
}

// finer takes the readings at the head of list that lie in the coarse one, and returns how many they are. They must fill
// it, and their sum must equal it.
func (m *merger) finer(coarse Reading, list []Reading) (int, error) {
	var sum Energy
	at, n := coarse.From, 0
	for ; n < len(list) && list[n].From == at && list[n].To <= coarse.To; n++ {
		sum += list[n].Energy
		at = list[n].To
		m.out = append(m.out, list[n])
	}
	if at != coarse.To {
		return 0, fmt.Errorf("%s and %s overlap at %s in intervals that do not fit into each other: leave one of them out", m.a.name, m.b.name, stamp(coarse.From))
	}
	if sum != coarse.Energy {
		return 0, fmt.Errorf("%s and %s disagree on %s: %s and %s: leave one of them out", m.a.name, m.b.name, stretch(coarse.From, coarse.To), coarse.Energy, sum)
	}
	m.shared++
	return n, nil
}
