package plan

import (
	"cmp"
	"math"
	"slices"
)

// guesses tries guesses at a branch, the first branch more of them, and returns the first.
func (k *keeping) guesses(b branch) decisions {
	orders := [][]int{k.switched}
	eager := []float64{0.1, 0.7}
	if k.best == nil {
		// In statement order a small point may take the place of a large one: whoever can take most comes first, and last.
		large := slices.Clone(k.switched)
		slices.SortStableFunc(large, func(u, v int) int { return cmp.Compare(k.most(v), k.most(u)) })
		small := slices.Clone(large)
		slices.Reverse(small)
		orders, eager = append(orders, large, small), append(eager, 1.5)
	}
	var all []decisions
	for _, order := range orders {
		for _, e := range eager {
			made, ok := k.guess(b, e, order)
			known := slices.ContainsFunc(all, func(d decisions) bool { return slices.EqualFunc(made, d, slices.Equal[[]decision]) })
			if ok && !known {
				if g := k.try(made); g.worth > k.found && !math.IsInf(g.bound, -1) {
					k.better(made, g)
				}
			}
			all = append(all, made)
		}
	}
	return all[0]
}

// most returns what a point is worth at the least power that it runs at, for as long as it is there.
func (k *keeping) most(u int) (worth float64) {
	c := &k.x.s.list[u]
	for _, t := range k.slots {
		if t.there[u] {
			worth += t.hours * c.lowest() * c.worth
		}
	}
	return math.Min(worth, k.x.s.need[c.device]*c.worth)
}

// guess makes decisions of everything that is open, near to how long the program lets each point run, that keep the least
// times. Eager ones run where the program does for less than half of the time; the first in order chooses first. ok is false
// where none were found.
func (k *keeping) guess(b branch, eager float64, order []int) (state decisions, ok bool) {
	state = slices.Clone(b.state)
	left := make([][3]float64, len(k.slots))
	for i, t := range k.slots {
		left[i] = t.caps
		for _, u := range k.switched {
			if b.state[u][i] == mustRun {
				take(&k.x.s.list[u], k.x.s.list[u].lowest(), &left[i])
			}
		}
	}
	ok = true
	for _, u := range order {
		c := &k.x.s.list[u]
		like := make([]float64, len(k.slots))
		may := slices.Clone(b.state[u])
		for i, t := range k.slots {
			like[i] = (b.runs[u][i] - 0.5 + eager/2) * t.hours
			if may[i] == undecided && !fits(c, c.lowest(), left[i]) {
				may[i] = mustRest
			}
		}
		made, found := k.decide(u, may, like)
		if !found {
			ok = false
			continue
		}
		state[u] = made
		for i := range made {
			if made[i] == mustRun && b.state[u][i] != mustRun {
				take(c, c.lowest(), &left[i])
			}
		}
	}
	return state, ok
}

// possible reports whether the decisions about one point can keep its least times.
func (k *keeping) possible(u int, state []decision) bool {
	_, ok := k.decide(u, state, make([]float64, len(state)))
	return ok
}

// decide makes a decision of every open one, so that the point keeps its least times and does most of what it is liked to.
func (k *keeping) decide(u int, state []decision, like []float64) (made []decision, ok bool) {
	never := make([]int, len(state)+1) // slots before each bound in which it must rest
	sum := make([]float64, len(state)+1)
	for i, d := range state {
		never[i+1], sum[i+1] = never[i], sum[i]+like[i]
		if d == mustRest {
			never[i+1]++
		}
	}
	list, _, ok := k.x.points[u].cad.runs(k.at, func(i, j int) float64 {
		if never[j] > never[i] {
			return math.Inf(-1)
		}
		return sum[j] - sum[i]
	}, func(i int) float64 {
		if state[i] == mustRun {
			return math.Inf(-1)
		}
		return 0
	})
	if !ok {
		return nil, false
	}
	made = make([]decision, len(state))
	for i := range made {
		made[i] = mustRest
		if slices.ContainsFunc(list, func(r stretchRun) bool { return r.from <= i && i < r.to }) {
			made[i] = mustRun
		}
	}
	return made, true
}

// doubt returns the open decision in which the program and the guess differ most; -1: none.
func (k *keeping) doubt(b branch, guess decisions) (point, slot int) {
	point, most := -1, 1e-6
	for _, u := range k.switched {
		for i, t := range k.slots {
			if b.state[u][i] != undecided {
				continue
			}
			want := 0.0
			if guess[u][i] == mustRun {
				want = 1
			}
			if d := math.Abs(b.runs[u][i]-want) * t.hours * k.x.s.list[u].lowest(); d > most {
				point, slot, most = u, i, d
			}
		}
	}
	return point, slot
}

// resting returns the decisions with every open one made to rest.
func resting(state decisions) decisions {
	made := slices.Clone(state)
	for u := range made {
		made[u] = slices.Clone(state[u])
		for i, d := range made[u] {
			if d == undecided {
				made[u][i] = mustRest
			}
		}
	}
	return made
}
