package plan

import (
	"math"
	"slices"
)

// simplify takes out changes that are not worth their command: the setting before one, or after it, does as well.
// A device that is full draws nothing whatever it is set to, so its setpoint stays unless another waits for its share.
func (x *shares) simplify() {
	floor := x.total * (1 - mostLost)
	end := x.begins[len(x.begins)-1]
	for _, a := range x.points {
		l := &x.p.links[a.line.link]
		brief := 4 * (l.Spacing + l.Confirm).Hours()
		for i := 1; i < len(a.parts); {
			least := changeGain
			if until(a.parts, i-1, end) < brief || until(a.parts, i, end) < brief {
				least = shortGain
			}
			begin, at, until := a.parts[i-1].at, a.parts[i].at, end
			if i+1 < len(a.parts) {
				until = a.parts[i+1].at
			}
			if !x.tryParts(a, without(a.parts, i, a.parts[i-1].kw), at, until, floor, least) &&
				!x.tryParts(a, without(a.parts, i, a.parts[i].kw), begin, at, floor, least) {
				i++
			}
		}
	}
}

// until returns how long the i-th part lasts.
func until(parts []part, i int, end float64) float64 {
	if i+1 < len(parts) {
		end = parts[i+1].at
	}
	return end - parts[i].at
}

// without returns parts less the i-th, with what is before it set to kw.
func without(parts []part, i int, kw float64) []part {
	out := slices.Delete(slices.Clone(parts), i, i+1)
	out[i-1].kw = kw
	if i > 1 && math.Abs(out[i-2].kw-kw) <= slack {
		out = slices.Delete(out, i-1, i)
	}
	return out
}

// tryParts keeps the parts for a, which differ from begin to end, where they fit and lose too little to matter.
func (x *shares) tryParts(a *autoPoint, parts []part, begin, end, floor, least float64) bool {
	old, d, stops := a.parts, a.c.device, x.stopsAtOnce()
	before, _ := x.takes(d)
	a.parts = parts
	if x.fits(second, begin, end) && x.keepsAll() && x.stopsAtOnce() <= stops {
		worth, kwh := x.takes(d)
		if total := x.total - before + worth; total >= floor && total >= x.total*(1-least)-1e-9 && x.meets(leastMust) {
			x.total, x.taken[d] = total, kwh
			return true
		}
	}
	a.parts = old
	return false
}
