package plan

import "math"

// Whether a sharing as it is laid keeps the least times of its points.

// keepsLeast reports whether what a point is set to keeps its least times. What runs and is stopped as the sharing gets it
// was stopped by the limit.
func (x *shares) keepsLeast(u int) bool {
	a := x.points[u]
	c := &a.cad
	if !c.asks() {
		return true
	}
	on, began, set, last := c.running, -c.since, math.Inf(-1), 0.0
	kept := x.each(x.all, 0, math.Inf(1), func(stretch int, from, _ float64, now []float64) bool {
		kw := 0.0
		if x.s.stretches[stretch].there[u] {
			kw = now[u] + a.base
		}
		runs := kw > slack
		switch {
		case from < c.begins-slack:
			return true
		case runs != on:
			least := c.off
			if on {
				least = c.on
			}
			if from-began < least-slack && (!on || from > c.begins+slack) {
				return false
			}
			on, began, set = runs, from, from
		case on && math.Abs(kw-last) > slack:
			if from-set < c.hold-slack {
				return false
			}
			set = from
		}
		last = kw
		return true
	})
	rest := x.begins[len(x.begins)-1] - began
	switch {
	case on:
		return kept && (rest >= c.on-slack || began < c.begins) // what runs already is cut by the end
	case c.after:
		return kept && rest >= c.off-slack
	}
	return kept
}

// keepsAll reports whether every point keeps its least times.
func (x *shares) keepsAll() bool {
	for u := range x.points {
		if !x.keepsLeast(u) {
			return false
		}
	}
	return true
}

// stopsAtOnce counts the points that run, may not stop yet, and are stopped as the sharing gets them.
func (x *shares) stopsAtOnce() (n int) {
	for _, a := range x.points {
		if c := &a.cad; c.running && c.since+c.begins < c.on-slack && a.at(c.begins)+a.base <= slack {
			n++
		}
	}
	return n
}
