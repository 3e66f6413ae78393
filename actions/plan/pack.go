package plan

import (
	"math"
	"slices"
)

// A kind of consumer in the sharing: what it can be set to. Power is in kW.
type consumer struct {
	device int       // index among the devices that share, for what it still needs
	worth  float64   // of 1 kWh
	phases []int     // it draws on, alike; 0 to 2
	most   float64   // any power from 0 to most; not counted where there are steps
	steps  []float64 // the powers it can be set to, ascending, from 0; empty: any
}

// top returns the most c can draw.
func (c *consumer) top() float64 {
	if len(c.steps) > 0 {
		return c.steps[len(c.steps)-1]
	}
	return c.most
}

// mostNodes bounds the search of one packing. With the bounds below a few hundred nodes are the rule.
const mostNodes = 30000

// A packer finds the setting of consumers that is worth most under the caps of the phases: the pricing problem of the
// sharing (see share.go), a knapsack in which some things can be cut at will and some only in steps.
//
// It is a branch and bound, depth first. Branches are the steps of the consumers that have any, in order, the highest
// first. The bound of a node is what its settled part is worth and what the rest could be worth were nothing in steps and
// were every phase to be filled by itself: on each phase what is worth most per kW first. No completion of the node can
// beat that, so cutting off nodes whose bound is no better than the best found loses nothing, and the search is exact
// unless mostNodes ran out. At a leaf only consumers of any power are left: filling the phases one by one is then exact,
// unless one of them draws on several phases, where a small linear program decides.
type packer struct {
	list  []consumer
	value []float64 // worth of 1 kW of each, may be negative: then it is left off
	off   []bool    // not to be had now

	steps   []int // indices of those with steps, in order
	byValue []int // indices by value, falling, then order
	spread  bool  // a consumer of any power draws on several phases

	set   []float64
	best  []float64
	found float64
	nodes int
	cut   bool // mostNodes ran out
}

// pack returns the best setting under caps, kW by phase, and what it is worth.
func (k *packer) pack(caps [3]float64) ([]float64, float64) {
	n := len(k.list)
	k.steps, k.byValue, k.spread = k.steps[:0], k.byValue[:0], false
	for i := range k.list {
		if k.off[i] || k.value[i] <= 0 {
			continue
		}
		k.byValue = append(k.byValue, i)
		switch {
		case len(k.list[i].steps) > 0:
			k.steps = append(k.steps, i)
		case len(k.list[i].phases) > 1:
			k.spread = true
		}
	}
	slices.SortStableFunc(k.byValue, func(a, b int) int {
		switch {
		case k.value[a] > k.value[b]:
			return -1
		case k.value[a] < k.value[b]:
			return 1
		}
		return 0
	})
	k.set = resize(k.set, n)
	k.best = resize(k.best, n)
	k.found, k.nodes = 0, 0
	k.branch(0, caps, 0)
	return k.best, k.found
}

func resize(s []float64, n int) []float64 {
	if cap(s) < n {
		return make([]float64, n)
	}
	s = s[:n]
	clear(s)
	return s
}

// branch settles the consumers in steps from the i-th on; left is what the phases have left and worth what the settled
// ones are worth.
func (k *packer) branch(i int, left [3]float64, worth float64) {
	k.nodes++
	if k.nodes > mostNodes {
		k.cut = true
		return
	}
	if i == len(k.steps) {
		k.leaf(left, worth)
		return
	}
	if worth+k.bound(i, left) <= k.found*(1+1e-9)+1e-12 {
		return
	}
	u := k.steps[i]
	c := &k.list[u]
	share := 1 / float64(len(c.phases))
	for s := len(c.steps) - 1; s >= 0; s-- {
		p := c.steps[s]
		if !fits(c, p, left) {
			continue
		}
		next := left
		for _, ph := range c.phases {
			next[ph] -= p * share
		}
		k.set[u] = p
		k.branch(i+1, next, worth+p*k.value[u])
	}
	k.set[u] = 0
}

// slack forgives the rounding of sums, in kW.
const slack = 1e-9

func fits(c *consumer, p float64, left [3]float64) bool {
	for _, ph := range c.phases {
		if p/float64(len(c.phases)) > left[ph]+slack {
			return false
		}
	}
	return true
}

// bound returns the most that what is not settled yet could be worth: each phase filled by itself.
func (k *packer) bound(i int, left [3]float64) (worth float64) {
	for _, u := range k.byValue {
		c := &k.list[u]
		if len(c.steps) > 0 && slices.Contains(k.steps[:i], u) {
			continue
		}
		part := c.top() / float64(len(c.phases))
		for _, ph := range c.phases {
			x := math.Min(part, math.Max(0, left[ph]))
			left[ph] -= x
			worth += x * k.value[u]
		}
	}
	return worth
}

// leaf fills what is left with the consumers of any power.
func (k *packer) leaf(left [3]float64, worth float64) {
	if k.spread {
		worth += k.fillSpread(left)
	} else {
		for _, u := range k.byValue {
			if c := &k.list[u]; len(c.steps) == 0 {
				ph := c.phases[0]
				x := math.Min(c.most, math.Max(0, left[ph]))
				left[ph] -= x
				k.set[u] = x
				worth += x * k.value[u]
			}
		}
	}
	if worth > k.found*(1+1e-9)+1e-12 {
		k.found = worth
		copy(k.best, k.set)
	}
}

// fillSpread fills the phases by a linear program: a row for each phase and one for each consumer's most.
func (k *packer) fillSpread(left [3]float64) (worth float64) {
	var any []int
	for _, u := range k.byValue {
		if len(k.list[u].steps) == 0 {
			any = append(any, u)
		}
	}
	rows := 3 + len(any)
	lp := newSimplex(rows)
	for ph := range left {
		lp.x[ph] = math.Max(0, left[ph])
	}
	columns := make([][]float64, len(any))
	for j, u := range any {
		c := &k.list[u]
		lp.x[3+j] = c.most
		columns[j] = make([]float64, rows)
		for _, ph := range c.phases {
			columns[j][ph] = 1 / float64(len(c.phases))
		}
		columns[j][3+j] = 1
	}
	lp.run(func(y []float64) (int, []float64, float64) {
		best, most := -1, 1e-9
		for j, u := range any {
			gain := k.value[u]
			for r, a := range columns[j] {
				gain -= y[r] * a
			}
			if gain > most {
				best, most = j, gain
			}
		}
		if best < 0 {
			return 0, nil, 0
		}
		return best, columns[best], k.value[any[best]]
	})
	for _, u := range any {
		k.set[u] = 0
	}
	lp.each(func(j int, x float64) {
		k.set[any[j]] = x
		worth += x * k.value[any[j]]
	})
	return worth
}
