package plan

import (
	"math"
	"slices"
)

// fill shares what the points with levels leave among the others, which run when it was decided.
func (x *shares) fill() {
	kept := map[int][]part{}
	cuts := slices.Clone(x.begins)
	for u, a := range x.points {
		if a.leveled() {
			kept[u] = a.parts
			for _, s := range a.parts {
				cuts = append(cuts, s.at)
			}
		} else {
			a.parts = nil
		}
	}
	if len(kept) == len(x.points) {
		return
	}
	slices.Sort(cuts)
	end := x.begins[len(x.begins)-1]
	cuts = slices.CompactFunc(cuts, func(a, b float64) bool { return math.Abs(b-a) < slack })
	cuts = slices.DeleteFunc(cuts, func(t float64) bool { return t < 0 || t > end+slack })
	_, taken := x.worth()
	s := &sharing{list: x.s.list, need: slices.Clone(x.s.need), musts: x.mustsAt(cuts)}
	for k, lack := range x.lacks() {
		s.musts[k].kwh = lack
	}
	for d := range s.need {
		s.need[d] = math.Max(0, s.need[d]-taken[d])
	}
	var list []stretch
	decided := make(decisions, len(x.decided))
	i := 0
	for j := range cuts[1:] {
		for x.begins[i+1] <= cuts[j]+slack {
			i++
		}
		t := x.s.stretches[i]
		t.hours = cuts[j+1] - cuts[j]
		list = append(list, t)
		for u := range decided {
			if x.decided[u] != nil {
				decided[u] = append(decided[u], x.decided[u][i])
			}
		}
		s.stretches = append(s.stretches, x.beside(kept, t, i, cuts[j]))
	}
	x.recut(cuts, list)
	x.decided = decided
	x.shareUnder(s)
	for u, parts := range kept {
		x.points[u].parts = parts
	}
}

// beside returns what the points with levels leave of a stretch from a time in it on, and who of the others runs then.
func (x *shares) beside(kept map[int][]part, t stretch, i int, at float64) stretch {
	there := slices.Clone(t.there)
	t.on = make([]bool, len(there))
	for u, o := range x.points {
		switch _, leveled := kept[u]; {
		case leveled && there[u]:
			for _, ph := range o.c.phases {
				t.caps[ph] = math.Max(0, t.caps[ph]-o.at(at)/float64(len(o.c.phases)))
			}
			there[u] = false
		case leveled, x.decided[u] == nil:
		default:
			there[u] = there[u] && x.decided[u][i] != mustRest
			t.on[u] = there[u] && x.decided[u][i] == mustRun
		}
	}
	t.there = there
	return t
}
