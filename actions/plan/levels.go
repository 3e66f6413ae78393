package plan

import (
	"cmp"
	"math"
	"slices"
)

// Where a point that takes more than one power would be set too often, it gets the levels that fill best what the others
// leave, each kept for min_hold, and the points without least times share the rest anew.

// wasted is what 1 kWh counts against a point that is set to more than it needs.
const wasted = 0.2

// mostBounds bounds the times at which such a point may be set.
const mostBounds = 40

// A filling says what the levels of a point go by.
type filling int

const (
	byLeft  filling = iota // what all others leave
	byRoom                 // what those leave that have least times, since the others share anew
	byShare                // the point's own share, within that
	byDense                // the same, but rather for a short time
)

// level settles the points that are set too often, or run or rest too briefly.
func (x *shares) level() {
	var bad []int
	for u := range x.points {
		if !x.keepsLeast(u) {
			bad = append(bad, u)
		}
	}
	if len(bad) == 0 {
		return
	}
	before := x.shot()
	var best *snapshot
	for _, points := range [][]int{bad, x.badFirst(bad)} {
		for _, by := range []filling{byLeft, byRoom, byShare, byDense} {
			x.back(before)
			try := x.relevel(points, by)
			for range mostRelevels {
				again := x.relevel(points, byLeft)
				if again.total <= try.total+slack {
					break
				}
				try = again
			}
			if best == nil || try.better(best) {
				best = try
			}
		}
	}
	x.back(best)
}

// better reports whether a sharing is to be taken in place of another: fewer stopped too soon, fewer whose least times are not
// kept, more taken.
func (s *snapshot) better(o *snapshot) bool {
	if c := cmp.Or(cmp.Compare(s.stops, o.stops), cmp.Compare(s.broken, o.broken)); c != 0 {
		return c < 0
	}
	return s.total > o.total
}

// badFirst returns all points with levels, those that are bad first.
func (x *shares) badFirst(bad []int) []int {
	all := slices.Clone(bad)
	for u, a := range x.points {
		if a.leveled() && !slices.Contains(bad, u) {
			all = append(all, u)
		}
	}
	return all
}

// mostRelevels bounds how often levels are found anew once the others have shared what they left.
const mostRelevels = 3

// relevel finds the levels of points anew and lets the others share what is left.
func (x *shares) relevel(points []int, by filling) *snapshot {
	shares := map[int][]part{}
	for _, u := range points {
		if shares[u] = x.points[u].parts; by != byLeft {
			x.points[u].parts = nil // it makes room for those before it
		}
	}
	for _, u := range points {
		x.points[u].parts = x.levels(u, by, shares[u])
	}
	x.fill()
	x.total = x.value()
	return x.shot()
}

// A snapshot is a sharing as it was.
type snapshot struct {
	parts [][]part
	cuts  shares
	total float64
	stops int // as of stopsAtOnce

	broken int // points whose least times are not kept
}

// leveled reports whether a point with least times takes more than one power, and not as often as the sharing likes.
func (a *autoPoint) leveled() bool {
	return a.cad.asks() && (len(a.c.steps) == 0 || len(a.c.steps) > 2 && a.cad.hold > 0)
}

func (x *shares) shot() *snapshot {
	s := &snapshot{cuts: shares{times: x.times, begins: x.begins, decided: x.decided}, total: x.total, stops: x.stopsAtOnce()}
	s.cuts.s = &sharing{stretches: x.s.stretches}
	for _, a := range x.points {
		s.parts = append(s.parts, slices.Clone(a.parts))
	}
	for u := range x.points {
		if !x.keepsLeast(u) {
			s.broken++
		}
	}
	return s
}

func (x *shares) back(s *snapshot) {
	x.times, x.begins, x.decided, x.s.stretches = s.cuts.times, s.cuts.begins, s.cuts.decided, s.cuts.s.stretches
	x.s.musts = x.mustsAt(x.begins)
	for u, a := range x.points {
		a.parts = slices.Clone(s.parts[u])
	}
}

// levels returns the levels of one point that take most of what it goes by; was is its own share.
func (x *shares) levels(u int, by filling, was []part) []part {
	a := x.points[u]
	at := x.bounds(u)
	left := x.leaves(u, at, by != byLeft)
	n, got := len(at)-1, a.cad.gets(at)
	set := func(_, _ int, least float64) float64 { return a.under(least) }
	cost := 0.0 // of an hour
	if by == byShare || by == byDense {
		share := sharedBy(was, at)
		if by == byDense {
			cost = share[n] / at[n] / 2
		}
		set = func(m, j int, least float64) float64 {
			return a.under(math.Min(least, (share[j]-share[m])/(at[j]-at[m])+a.step()/2))
		}
	}
	worth, from := make([][]float64, n), make([][]int, n) // by bounds of a run: what it takes, and where its last level begins
	for i := range n {
		worth[i], from[i] = make([]float64, n+1), make([]int, n+1)
		for j := i + 1; j <= n; j++ {
			worth[i][j] = math.Inf(-1)
			least := math.Inf(1)
			for m := j - 1; m >= i; m-- {
				least = math.Min(least, left[m])
				if at[j]-at[m] < a.cad.hold-slack && j < n && (m > got || !a.cad.running) {
					continue // the end may cut a level, and the one that it has goes on
				}
				kw := set(m, j, least)
				if w := worth[i][m] + kw*(at[j]-at[m]); kw > slack && (m == i || worth[i][m] > 0) && w > worth[i][j]+slack {
					worth[i][j], from[i][j] = w, m
				}
			}
		}
	}
	need := x.s.need[a.c.device]
	waste := wasted // what it is set to beyond what it needs is taken from others for nothing,
	if by == byLeft {
		waste = slack // except where they leave it anyway
	}
	list, _, _ := a.cad.runs(at, func(i, j int) float64 {
		return math.Min(worth[i][j], need) - waste*math.Max(0, worth[i][j]-need) - cost*(at[j]-at[i])
	}, func(int) float64 { return 0 })
	parts := []part{{}}
	for _, r := range list {
		var levels []part
		for j := r.to; j > r.from; j = from[r.from][j] {
			m := from[r.from][j]
			levels = append(levels, part{at[m], set(m, j, slices.Min(left[m:j]))})
		}
		slices.Reverse(levels)
		parts = append(parts, append(levels, part{at: at[r.to]})...)
	}
	return tidyParts(parts)
}

// sharedBy returns what parts take until each of some times, in kWh.
func sharedBy(parts []part, at []float64) []float64 {
	a := &autoPoint{parts: parts}
	sum := make([]float64, len(at))
	for i := range at[1:] {
		sum[i+1] = sum[i]
		from := at[i]
		for _, s := range append(slices.Clone(a.parts), part{at: math.Inf(1)}) {
			if to := math.Min(s.at, at[i+1]); to > from {
				sum[i+1] += a.at(from) * (to - from)
				from = to
			}
		}
	}
	return sum
}

// step returns by how much the point can be set higher at the least, in kW.
func (a *autoPoint) step() float64 {
	if n := len(a.c.steps); n > 2 {
		return a.c.steps[n-1] - a.c.steps[n-2]
	}
	return 0
}

// tidyParts takes out parts that another follows at once, and those that change nothing.
func tidyParts(parts []part) (out []part) {
	for i, p := range parts {
		if i+1 < len(parts) && parts[i+1].at <= p.at+slack {
			continue
		}
		if n := len(out); n == 0 || math.Abs(out[n-1].kw-p.kw) > slack {
			out = append(out, p)
		}
	}
	return out
}

// under returns the most that the point can be set to within a power.
func (a *autoPoint) under(kw float64) float64 {
	kw = math.Min(math.Max(0, kw), a.c.top())
	set, _ := a.power(a.value(kw))
	return math.Max(0, set)
}

// bounds returns the times at which the levels of a point may change.
func (x *shares) bounds(u int) (at []float64) {
	c := &x.points[u].cad
	var others []float64
	for _, a := range x.points {
		for _, s := range a.parts {
			others = append(others, s.at)
		}
	}
	for _, t := range slices.Concat(slices.Clone(x.begins), slices.Clone(others)) {
		for _, d := range []float64{c.on, c.off, c.hold} {
			others = append(others, t+d, t-d)
		}
	}
	others = append(others, c.on-c.since, c.off-c.since)
	end := x.begins[len(x.begins)-1]
	others = slices.DeleteFunc(others, func(t float64) bool { return t <= 0 || t >= end || math.IsInf(t, 0) || math.IsNaN(t) })
	for gap := leastSlot.Hours() / 4; ; gap *= 1.5 {
		if at = spaced(x.begins, others, gap); len(at) <= mostBounds || gap > end {
			return at
		}
	}
}

// leaves returns the least that is left for a point between one bound and the next, in kW; below zero where it is not there.
func (x *shares) leaves(u int, at []float64, alone bool) []float64 {
	left := make([]float64, len(at)-1)
	for i := range left {
		left[i] = math.Inf(1)
	}
	me := &x.points[u].c
	x.each(x.all, 0, math.Inf(1), func(stretch int, from, to float64, now []float64) bool {
		t := &x.s.stretches[stretch]
		caps := t.caps
		for v, o := range x.points {
			kw := now[v]
			switch {
			case v == u || !t.there[v]:
				continue
			case alone && !o.leveled() && x.decided[v] != nil && x.decided[v][stretch] == mustRun:
				kw = o.c.lowest()
			case alone && !o.leveled():
				continue
			}
			for _, ph := range o.c.phases {
				caps[ph] -= kw / float64(len(o.c.phases))
			}
		}
		room := math.Inf(1)
		for _, ph := range me.phases {
			room = math.Min(room, caps[ph]*float64(len(me.phases)))
		}
		if !t.there[u] {
			room = -1
		}
		for i := range left {
			if at[i] < to-slack && at[i+1] > from+slack {
				left[i] = math.Min(left[i], room+slack)
			}
		}
		return true
	})
	return left
}
