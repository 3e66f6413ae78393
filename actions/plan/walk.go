package plan

import (
	"cmp"
	"math"
	"slices"
)

// worth returns what the energy is worth that the devices take as the points are set, and how much each takes.
func (x *shares) worth() (total float64, taken []float64) {
	taken = make([]float64, len(x.s.need))
	for d := range taken {
		worth, kwh := x.takes(d)
		total += worth
		taken[d] = kwh
	}
	return total, taken
}

// takes returns how much one device takes as its points are set, and what that is worth.
func (x *shares) takes(d int) (worth, kwh float64) {
	x.each(x.ofDevice[d], 0, math.Inf(1), func(stretch int, from, to float64, now []float64) bool {
		for i, u := range x.ofDevice[d] {
			if x.s.stretches[stretch].there[u] {
				e := math.Min(now[i]*(to-from), x.s.need[d]-kwh)
				kwh += e
				worth += e * x.s.list[u].worth
			}
		}
		return true
	})
	return worth, kwh
}

// fits reports whether what is set from begin to end is under the caps, but for times shorter than forgiven, in hours:
// those are put right by waitForDrops.
func (x *shares) fits(forgiven, begin, end float64) bool {
	return x.each(x.all, begin, end, func(stretch int, from, to float64, now []float64) bool {
		if to-from < forgiven {
			return true
		}
		left := x.s.stretches[stretch].caps
		for u, a := range x.points {
			if !x.s.stretches[stretch].there[u] {
				continue
			}
			for _, ph := range a.c.phases {
				if left[ph] -= now[u] / float64(len(a.c.phases)); left[ph] < -1e-6 {
					return false
				}
			}
		}
		return true
	})
}

// A cut is an instant at which a point is set to another power; -1: a stretch begins.
type cut struct {
	at    float64
	point int // its place among the points that are looked at
	kw    float64
}

// each calls f for every time between begin and end in which none of the points changes, with what they are then set to,
// until it says no.
func (x *shares) each(points []int, begin, end float64, f func(stretch int, from, to float64, now []float64) bool) bool {
	end = math.Min(end, x.begins[len(x.begins)-1])
	cuts := x.cuts[:0]
	x.now = resize(x.now, len(points))
	for i, u := range points {
		for _, s := range x.points[u].parts {
			switch {
			case s.at <= begin+slack:
				x.now[i] = s.kw
			case s.at < end-slack:
				cuts = append(cuts, cut{s.at, i, s.kw})
			}
		}
	}
	stretch := 0
	for i, at := range x.begins {
		switch {
		case i == len(x.begins)-1:
		case at <= begin+slack:
			stretch = i
		case at < end-slack:
			cuts = append(cuts, cut{at, -1, 0})
		}
	}
	x.cuts = cuts
	slices.SortFunc(cuts, func(a, b cut) int { return cmp.Compare(a.at, b.at) })
	from := math.Max(begin, x.begins[0])
	for i := 0; ; {
		to := end
		if i < len(cuts) {
			to = cuts[i].at
		}
		if to > from+slack && !f(stretch, from, to, x.now) {
			return false
		}
		if i == len(cuts) {
			return true
		}
		for from = to; i < len(cuts) && cuts[i].at <= from+slack; i++ {
			if c := cuts[i]; c.point < 0 {
				stretch++
			} else {
				x.now[c.point] = c.kw
			}
		}
	}
}
