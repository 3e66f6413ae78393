package plan

import (
	"cmp"
	"math"
	"slices"
	"time"
)

// A sharing in which points have least times. Its stretches are cut finer, where a point may sensibly be switched, and a
// branch and bound over "must run" and "must rest" of each switched point in each of them is put round the linear program
// of share.go: that, with what is not decided yet left free, is the bound. A guess at the decisions, made from how long the
// program lets each point run, gives a sharing that keeps the least times; nothing that is bounded below the best of those
// is looked at. Within the bounds it may switch at the result is the best but for mostShort, unless mostTries ran out, and
// then the plan says so. What remains, setpoints that must be kept for min_hold, is settled point by point (levels.go).

const (
	mostSlots   = 32  // bounds at which points may be switched
	mostTries   = 400 // sharings looked at
	mostSpent   = mostEffort / 4
	fewTries    = 4     // sharings that are looked at in any case
	mostSettled = 12    // sharings whose levels are settled
	mostShort   = 0.002 // of the whole: what a better one must gain
	leastSlot   = time.Minute
	evenly      = 16
	// nearEnough is by which part a better sharing may be better without a word.
	nearEnough = 0.01
)

// A keeping is a search.
type keeping struct {
	x        *shares
	switched []int     // the points that may only be switched so often
	at       []float64 // the bounds of the slots
	slots    []stretch
	best     decisions // nil: none was found
	rested   decisions // what is left then
	laid     *snapshot // the best as it is laid and its levels are settled; nil: nothing has levels
	settled  int       // sharings whose levels were settled
	found    float64   // what it is worth,
	plain    float64   // without what musts count over and above
	tries    int
	spent    int
	limit    int     // what may be spent
	bound    float64 // no sharing that switches at the bounds of slots is worth more
	short    float64
}

// A decision says of a point in a slot what it must do.
type decision int8

const (
	undecided decision = iota
	mustRest
	mustRun
)

// decisions are those of every point, by slot; nil for one that may be switched at will.
type decisions [][]decision

// A branch is some decisions, and what the program finds where it keeps to them.
type branch struct {
	state decisions
	plain float64     // what its sharing is worth,
	worth float64     // and with what musts count over and above
	bound float64     // nothing that keeps to it is worth more
	runs  [][]float64 // by point and slot: the part of the slot for which it runs
}

// keeps reports whether any point of the round has least times.
func (x *shares) keeps() bool {
	return slices.ContainsFunc(x.points, func(a *autoPoint) bool { return a.cad.asks() })
}

// bestKeeping finds the settings that are worth most and keep the least times. short is as of [sharing.solve].
func (x *shares) bestKeeping() (short float64) {
	k := &keeping{x: x, found: math.Inf(-1)}
	for u, a := range x.points {
		if a.cad.asks() {
			k.switched = append(k.switched, u)
		}
	}
	k.cut()
	k.search()
	if k.laid == nil {
		k.lay()
		x.level()
	} else {
		x.back(k.laid)
	}
	x.total, x.taken = x.worth()
	value := x.value() // what a must counts over and above is in both
	if k.short = (math.Max(k.bound, k.enough()) - value) / math.Max(value, 1e-9); k.short <= nearEnough {
		k.short = 0
	}
	return k.short
}

// cut makes the slots: the stretches, cut where a least time from their bounds ends or a device would be full, and else
// evenly.
func (k *keeping) cut() {
	var at []float64
	end := k.x.begins[len(k.x.begins)-1]
	for i := range k.x.s.stretches {
		b, e := k.x.begins[i], k.x.begins[i+1]
		for u := range k.x.s.list {
			c := &k.x.s.list[u]
			if hours := k.x.s.need[c.device] / c.top(); !math.IsInf(hours, 0) && !math.IsNaN(hours) {
				at = append(at, wholeSeconds(b+hours, end), math.Floor((e-hours)/second)*second)
			}
		}
		for _, u := range k.switched {
			c := &k.x.points[u].cad
			for n := 1.0; n <= 4; n++ {
				for _, d := range []float64{c.on, c.off} {
					at = append(at, wholeSeconds(b+n*d, end), math.Floor((e-n*d)/second)*second)
				}
			}
			if c.running {
				at = append(at, c.on-c.since)
			} else {
				at = append(at, c.off-c.since)
			}
		}
	}
	for n := 1.0; n < evenly; n++ {
		at = append(at, math.Round(n*end/evenly/second)*second)
	}
	at = slices.DeleteFunc(at, func(t float64) bool { return t <= 0 || t >= end || math.IsInf(t, 0) || math.IsNaN(t) })
	for gap := leastSlot.Hours(); ; gap *= 1.5 {
		if k.at = spaced(k.x.begins, at, gap); len(k.at) <= mostSlots || gap > end {
			break
		}
	}
	i := 0
	for j := range k.at[1:] {
		for k.x.begins[i+1] <= k.at[j]+slack {
			i++
		}
		t := k.x.s.stretches[i]
		t.hours = k.at[j+1] - k.at[j]
		k.slots = append(k.slots, t)
	}
}

// spaced returns the bounds that are kept, and of the others those that are no nearer than gap to one that is there.
func spaced(kept, others []float64, gap float64) []float64 {
	out := slices.Clone(kept)
	for _, t := range others {
		if i, _ := slices.BinarySearch(out, t); t-out[i-1] >= gap && out[i]-t >= gap {
			out = slices.Insert(out, i, t)
		}
	}
	return out
}

// search looks for the best decisions, those first that promise most.
func (k *keeping) search() {
	state := make(decisions, len(k.x.points))
	for _, u := range k.switched {
		state[u] = make([]decision, len(k.slots))
		for i, t := range k.slots {
			if !t.there[u] || !fits(&k.x.s.list[u], k.x.s.list[u].lowest(), t.caps) {
				state[u][i] = mustRest
			}
		}
	}
	k.goOn(state)
	for _, u := range k.switched {
		// Where no rest can be whole before the point goes back to a normal that draws, it is not: that goes on time.
		if c := &k.x.points[u].cad; c.after && !k.possible(u, state[u]) {
			c.after = false
		}
	}
	k.rested = resting(state)
	list := []branch{k.try(state)}
	// However long the first sharing takes, there is to be a guess at what runs.
	k.limit = max(mostSpent, fewTries*k.spent)
	for len(list) > 0 {
		slices.SortStableFunc(list, func(a, b branch) int { return cmp.Compare(b.bound, a.bound) })
		b := list[0]
		list = list[1:]
		if b.bound <= k.enough() || k.tries >= mostTries || k.spent > k.limit {
			k.bound = math.Max(k.bound, b.bound)
			return
		}
		u, i := k.doubt(b, k.guesses(b))
		if u < 0 {
			k.bound = math.Max(k.bound, b.bound) // no decision is left that would tell
			continue
		}
		for _, d := range []decision{mustRun, mustRest} {
			next := slices.Clone(b.state)
			next[u] = slices.Clone(b.state[u])
			next[u][i] = d
			if k.possible(u, next[u]) {
				if n := k.try(next); n.bound > k.enough() {
					list = append(list, n)
				}
			}
		}
	}
}

// goOn decides that what runs and may not stop yet goes on, as far as the limit lets it: no other point may take its place.
func (k *keeping) goOn(state decisions) {
	left := make([][3]float64, len(k.slots))
	for i, t := range k.slots {
		left[i] = t.caps
	}
	for _, u := range k.switched {
		c := &k.x.points[u].cad
		for i := c.gets(k.at); i < len(k.slots); i++ {
			if !c.running || c.since+k.at[i] >= c.on-slack || state[u][i] == mustRest || !take(&k.x.s.list[u], k.x.s.list[u].lowest(), &left[i]) {
				break
			}
			state[u][i] = mustRun
		}
	}
}

// better takes a sharing that keeps the least times where it is the best so far. What has levels may have to give up much of
// what the program gives it, so that what such a sharing is worth is only known once they are settled.
func (k *keeping) better(made decisions, g branch) {
	x := k.x
	if !slices.ContainsFunc(x.points, (*autoPoint).leveled) {
		k.found, k.plain, k.best = g.worth, g.plain, made
		return
	}
	if k.settled >= mostSettled {
		return
	}
	k.settled++
	before, at, slots, best := x.shot(), k.at, k.slots, k.best
	k.at, k.slots, k.best = slices.Clone(at), slices.Clone(slots), made
	k.lay()
	x.level()
	if worth := x.value(); k.laid == nil || worth > k.found {
		k.laid, k.found = x.shot(), worth
		k.plain, _ = x.worth()
		best = made
	}
	k.at, k.slots, k.best = at, slots, best
	x.back(before)
}

// enough returns what a sharing must be worth more than to be looked for.
func (k *keeping) enough() float64 { return k.found + mostShort*k.plain }

// try shares under decisions.
func (k *keeping) try(state decisions) branch {
	k.tries++
	b := branch{state: state, bound: math.Inf(-1)}
	s := k.under(state, k.slots)
	if s == nil {
		return b
	}
	settings, short := s.solve()
	k.spent += s.spent
	b.runs = make([][]float64, len(state))
	for _, u := range k.switched {
		b.runs[u] = make([]float64, len(k.slots))
	}
	for _, x := range settings {
		for u, p := range x.power {
			b.worth += p * x.hours * s.list[u].worth
			if b.runs[u] != nil && p > 0 {
				b.runs[u][x.stretch] += x.hours / k.slots[x.stretch].hours
			}
		}
	}
	b.plain = b.worth
	for i := range s.musts {
		b.worth += s.bonus() * s.musts[i].got(s, settings)
	}
	b.bound = b.worth * (1 + short)
	return b
}

// under returns the sharing under decisions, nil where what must run does not fit.
func (k *keeping) under(state decisions, slots []stretch) *sharing {
	s := &sharing{list: k.x.s.list, need: k.x.s.need, stretches: slices.Clone(slots), musts: k.x.mustsAt(k.at)}
	for i := range s.stretches {
		t := &s.stretches[i]
		t.there, t.on = slices.Clone(t.there), make([]bool, len(state))
		left := t.caps
		for _, u := range k.switched {
			t.there[u] = t.there[u] && state[u][i] != mustRest
			if t.on[u] = state[u][i] == mustRun; t.on[u] && !take(&s.list[u], s.list[u].lowest(), &left) {
				return nil
			}
		}
	}
	return s
}

// take takes a draw off what is left, and reports whether it fits.
func take(c *consumer, p float64, left *[3]float64) bool {
	if !fits(c, p, *left) {
		return false
	}
	for _, ph := range c.phases {
		left[ph] -= p / float64(len(c.phases))
	}
	return true
}
