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

// A shape is what packers need to know of the consumers beyond each of them.
type shape struct {
	grain float64 // kW by phase that vehicles' amperes are; 0: there are none
	whole []bool  // by consumer: it draws in whole multiples of that
}

func shapeOf(list []consumer) shape {
	s := shape{whole: make([]bool, len(list))}
	for i := range list {
		if c := &list[i]; len(c.steps) > 2 && s.grain == 0 {
			s.grain = (c.steps[2] - c.steps[1]) / float64(len(c.phases))
		}
	}
	for i := range list {
		s.whole[i] = s.grain > 0 && len(list[i].steps) > 0 && !slices.ContainsFunc(list[i].steps, func(p float64) bool {
			n := p / float64(len(list[i].phases)) / s.grain
			return math.Abs(n-math.Round(n)) > 1e-6
		})
	}
	return s
}

const (
	// mostNodes bounds the search of one packing. With the bounds below a few hundred nodes are the rule.
	mostNodes = 30000
	// manyNodes is from when on a setting will do that is nearly as good as any could be; nearly is by how much less. No more
	// are spent on a packing while others still gain.
	manyNodes = 1000
	nearly    = 1e-4
	// fewNodes are always to be had, also when the effort for the whole sharing is spent.
	fewNodes = 30
	// mostEffort bounds the search of all packings of a sharing: nodes by consumers. It is some tens of milliseconds.
	mostEffort = 4000000
)

// A packer finds the setting of consumers that is worth most under the caps of the phases: the pricing problem of the
// sharing (see share.go), a knapsack in which some things can be cut at will and some only in steps.
//
// It is a branch and bound, depth first. Branches are the steps of the consumers that have any, the highest first. The
// bound of a node (bound.go) is what its settled part is worth and what the rest could be worth at the very most. No
// completion of the node can beat that, so cutting off nodes whose bound is no better than the best found loses nothing,
// and the search is exact. At a leaf only consumers of any power are left: filling the phases one by one is then exact,
// and where some of them draw on all phases what they displace decides.
//
// A search of more than manyNodes ends with a setting that is nearly the best: none is worth more by a ten-thousandth. One
// of more than mostNodes, or of more than its part of the effort that is left for the sharing, is cut short.
type packer struct {
	list  []consumer
	shape shape
	value []float64 // worth of 1 kW of each, may be negative: then it is left off
	off   []bool    // not to be had now

	effort *int // what is left for the sharing; nil: all that is needed

	steps   []int        // indices of those with steps, in the order of branching
	byValue []int        // indices by value, falling, then order
	turn    []int        // by consumer: its place in steps
	grid    [][3]float64 // by place in steps: what the phase carries from there on comes in multiples of this; 0: it does not
	spread  bool         // a consumer of any power draws on several phases

	set   []float64
	best  []float64
	found float64
	most  float64 // no setting is worth more
	nodes int
	limit int
	cut   bool // the last search was cut short
}

// ceiling returns what no setting under caps, kW by phase, is worth more than.
func (k *packer) ceiling(caps [3]float64) float64 {
	k.arrange()
	return k.bound(0, caps)
}

// pack returns the best setting under caps that it finds with so many nodes, and what it is worth.
func (k *packer) pack(caps [3]float64, nodes int) ([]float64, float64) {
	k.most = k.ceiling(caps)
	k.set = resize(k.set, len(k.list))
	k.best = resize(k.best, len(k.list))
	k.nodes, k.limit, k.cut = 0, nodes, false
	if n := max(1, len(k.byValue)); k.effort != nil {
		k.limit = max(fewNodes, min(nodes, *k.effort/20/n))
		defer func() { *k.effort -= k.nodes * n }()
	}
	k.greedy(caps)
	k.branch(0, caps, 0)
	return k.best, k.found
}

// greedy begins with what is found by serving the consumers one after another by value.
func (k *packer) greedy(left [3]float64) {
	k.found = 0
	for _, u := range k.byValue {
		c := &k.list[u]
		p := c.fit(left)
		for _, ph := range c.phases {
			left[ph] -= p / float64(len(c.phases))
		}
		k.best[u] = p
		k.found += p * k.value[u]
	}
}

// fit returns the most that c can draw of what the phases have left.
func (c *consumer) fit(left [3]float64) float64 {
	room := math.Inf(1)
	for _, ph := range c.phases {
		room = math.Min(room, math.Max(0, left[ph])*float64(len(c.phases)))
	}
	if len(c.steps) == 0 {
		return math.Min(room, c.most)
	}
	room += slack * float64(len(c.phases))
	if top := c.steps[len(c.steps)-1]; top <= room {
		return top
	}
	i, found := slices.BinarySearch(c.steps, room)
	if !found {
		i--
	}
	return c.steps[i]
}

func resize[T any](s []T, n int) []T {
	if cap(s) < n {
		return make([]T, n)
	}
	s = s[:n]
	clear(s)
	return s
}

// branch settles the consumers in steps from the i-th on; left is what the phases have left and worth what the settled
// ones are worth.
func (k *packer) branch(i int, left [3]float64, worth float64) {
	k.nodes++
	if k.nodes > manyNodes && k.found >= k.most*(1-nearly) {
		return
	}
	if k.nodes > k.limit {
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

// fillSpread fills the phases where some draw on all of them. First those that draw on one, by value, as if the others were
// not there; then the others, by value, as long as they are worth more than what they displace: of each phase a third, from
// what is worth least there. What is displaced is worth ever more and what comes is worth ever less, so that where it stops
// is best.
func (k *packer) fillSpread(left [3]float64) (worth float64) {
	for _, u := range k.byValue {
		if c := &k.list[u]; len(c.steps) == 0 {
			k.set[u] = 0
			if len(c.phases) == 1 {
				k.set[u] = c.fit(left)
				left[c.phases[0]] -= k.set[u]
			}
		}
	}
	for _, u := range k.byValue {
		if c := &k.list[u]; len(c.steps) == 0 && len(c.phases) > 1 {
			for k.displace(u, &left) {
			}
		}
	}
	for _, u := range k.byValue {
		if len(k.list[u].steps) == 0 {
			worth += k.set[u] * k.value[u]
		}
	}
	return worth
}

// displace raises the power of u, which draws on several phases, until it has its most or something that it displaces is
// used up, and reports whether it raised it.
func (k *packer) displace(u int, left *[3]float64) bool {
	c := &k.list[u]
	n := float64(len(c.phases))
	step, price := c.most-k.set[u], 0.0
	var from [3]int
	for _, ph := range c.phases {
		if from[ph] = -1; left[ph] > dust {
			step = math.Min(step, left[ph]*n)
			continue
		}
		if from[ph] = k.leastOn(ph); from[ph] < 0 {
			return false
		}
		step = math.Min(step, k.set[from[ph]]*n)
		price += k.value[from[ph]] / n
	}
	if step <= dust || k.value[u] <= price {
		return false
	}
	for _, ph := range c.phases {
		if from[ph] < 0 {
			left[ph] -= step / n
		} else if k.set[from[ph]] -= step / n; k.set[from[ph]] < dust {
			k.set[from[ph]] = 0
		}
	}
	k.set[u] += step
	return true
}

// dust is no power, in kW.
const dust = 1e-12

// leastOn returns the consumer of any power that draws on the phase alone and is worth least there; -1: there is none.
func (k *packer) leastOn(ph int) int {
	for i := len(k.byValue) - 1; i >= 0; i-- {
		u := k.byValue[i]
		if c := &k.list[u]; len(c.steps) == 0 && len(c.phases) == 1 && c.phases[0] == ph && k.set[u] > dust {
			return u
		}
	}
	return -1
}
