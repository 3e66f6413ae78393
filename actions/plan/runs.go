package plan

import (
	"math"
	"slices"
)

// A cadence is what least times ask of a point in a sharing, in hours, and how it stands as the sharing gets it: another
// statement may rule it until then.
type cadence struct {
	on, off, hold float64
	begins        float64 // when the sharing gets it, from when the sharing begins
	running       bool    // it draws then,
	since         float64 // and has, or else has rested, for so long as the sharing begins (below 0: since later); +Inf: nobody knows
	after         bool    // it draws when the sharing is over: a rest before that must be whole
}

// asks reports whether the point has any least time.
func (c *cadence) asks() bool { return c.on > 0 || c.off > 0 || c.hold > 0 }

// A stretchRun is a time in which a point draws, by the bounds it begins and ends at.
type stretchRun struct{ from, to int }

// runs picks the times in which a point is to run, none shorter than on and no rest between them shorter than off, that are
// worth most. at are the bounds it may switch at, from when the sharing gets it on; run says what a run from one bound to
// another is worth and rest what resting from one bound to the next is; -Inf is impossible. ok is false where everything is.
//
// It is a recursion from the end: what is best from a bound on depends only on whether the point may start there.
func (c *cadence) runs(at []float64, run func(i, j int) float64, rest func(i int) float64) (list []stretchRun, worth float64, ok bool) {
	n, got := len(at)-1, c.gets(at)
	free := make([]choice, n+1)    // from here on, where it may start
	stopped := make([]choice, n+1) // where it has just stopped
	for i := n - 1; i >= got; i-- {
		free[i] = choice{worth: rest(i) + free[i+1].worth, next: i + 1}
		for j := i + 1; j <= n; j++ {
			if at[j]-at[i] < c.on-slack {
				continue
			}
			if w := run(i, j) + stopped[j].worth; w > free[i].worth+slack || math.IsInf(free[i].worth, -1) && w > free[i].worth {
				free[i] = choice{worth: w, run: true, next: j}
			}
		}
		stopped[i] = c.resting(at, i, 0, free, rest)
	}
	first := c.first(at, got, free, stopped, run, rest)
	if math.IsInf(first.worth, -1) {
		return nil, 0, false
	}
	worth = first.worth
	for i, now := got, first; ; {
		if now.run && now.next > i {
			list = append(list, stretchRun{i, now.next})
		}
		if now.next >= n {
			return list, worth, true
		}
		if i = now.next; now.run {
			now = stopped[i]
		} else {
			now = free[i]
		}
	}
}

// A choice is what is best from a bound on: to run or to rest, up to which bound, and what all that follows is worth.
type choice struct {
	worth float64
	run   bool
	next  int
}

// resting returns the best rest from bound i on, of which so much is over already.
func (c *cadence) resting(at []float64, i int, over float64, free []choice, rest func(i int) float64) choice {
	n := len(at) - 1
	best, sum := choice{worth: math.Inf(-1)}, 0.0
	for k := i; k <= n; k++ {
		whole := at[k]-at[i]+over >= c.off-slack
		if w := sum + free[k].worth; (whole || k == n && !c.after) && w > best.worth {
			best = choice{worth: w, next: k}
			if whole {
				break // free goes on from there
			}
		}
		if k < n {
			sum += rest(k)
		}
	}
	return best
}

// gets returns the bound at which the sharing gets the point.
func (c *cadence) gets(at []float64) int {
	i, _ := slices.BinarySearch(at, c.begins-slack)
	return min(i, len(at)-1)
}

// first returns the best beginning, from the bound on at which the sharing gets the point. What runs and may not stop yet goes on as long as it can: the limit comes first.
func (c *cadence) first(at []float64, got int, free, stopped []choice, run func(i, j int) float64, rest func(i int) float64) choice {
	if !c.running {
		return c.resting(at, got, c.since+at[got], free, rest)
	}
	best, longest := choice{worth: math.Inf(-1)}, choice{worth: stopped[got].worth, run: true, next: got}
	for j := got; j < len(at); j++ {
		w := 0.0
		if j > got {
			w = run(got, j)
		}
		if w += stopped[j].worth; math.IsInf(w, -1) {
			continue
		}
		longest = choice{worth: w, run: true, next: j}
		if c.since+at[j] >= c.on-slack && w > best.worth+slack {
			best = longest
		}
	}
	if math.IsInf(best.worth, -1) {
		return longest
	}
	return best
}
