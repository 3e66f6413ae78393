package plan

import (
	"cmp"
	"math"
	"slices"
)

// arrange puts the consumers that are to be had in order: by value for filling, and those with steps for branching. Those
// come last whose steps are whole amperes, since what a phase can carry of whole amperes is known to the ampere; before
// that those on several phases, so that what is left is each phase's own.
func (k *packer) arrange() {
	k.steps, k.byValue, k.spread = k.steps[:0], k.byValue[:0], false
	k.turn = resize(k.turn, len(k.list))
	var open [3]bool // a consumer of any power draws on the phase
	for i := range k.list {
		k.turn[i] = len(k.list)
		if k.off[i] || k.value[i] <= 0 {
			continue
		}
		k.byValue = append(k.byValue, i)
		c := &k.list[i]
		if len(c.steps) > 0 {
			k.steps = append(k.steps, i)
			continue
		}
		k.spread = k.spread || len(c.phases) > 1
		for _, ph := range c.phases {
			open[ph] = true
		}
	}
	slices.SortStableFunc(k.byValue, func(a, b int) int { return cmp.Compare(k.value[b], k.value[a]) })
	slices.SortStableFunc(k.steps, k.compareSteps)
	k.grid = resize(k.grid, len(k.steps)+1)
	var grid [3]float64
	for ph := range grid {
		if !open[ph] {
			grid[ph] = k.shape.grain
		}
	}
	k.grid[len(k.steps)] = grid
	for i := len(k.steps) - 1; i >= 0; i-- {
		u := k.steps[i]
		k.turn[u] = i
		for _, ph := range k.list[u].phases {
			if !k.shape.whole[u] {
				grid[ph] = 0
			}
		}
		k.grid[i] = grid
	}
}

func (k *packer) compareSteps(a, b int) int {
	if k.shape.whole[a] != k.shape.whole[b] {
		if k.shape.whole[b] {
			return -1
		}
		return 1
	}
	x, y := &k.list[a], &k.list[b]
	if c := len(y.phases) - len(x.phases); c != 0 {
		return c
	}
	if c := x.phases[0] - y.phases[0]; c != 0 {
		return c
	}
	return cmp.Compare(k.value[b], k.value[a])
}

// bound returns the most that what is not settled yet could be worth, i being the first of steps that is not: each phase
// filled by itself, with what is worth most per kW first, no consumer taking more than fits were it alone, and of whole
// amperes no part of one.
func (k *packer) bound(i int, left [3]float64) (worth float64) {
	for ph, g := range k.grid[i] {
		if left[ph] = math.Max(0, left[ph]); g > 0 {
			left[ph] = math.Floor(left[ph]/g+1e-6) * g
		}
	}
	alone := left
	for _, u := range k.byValue {
		if k.turn[u] < i {
			continue
		}
		c := &k.list[u]
		part := c.fit(alone) / float64(len(c.phases))
		for _, ph := range c.phases {
			x := math.Min(part, left[ph])
			left[ph] -= x
			worth += x * k.value[u]
		}
	}
	return worth
}
