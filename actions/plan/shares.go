package plan

import (
	"math"
	"slices"
	"strconv"
	"time"

	"spillway/actions"
)

// shares is one round being worked out: what every point is set to, and when.
type shares struct {
	p      *planner
	s      *sharing
	points []*autoPoint
	from   time.Time
	times  []time.Time // when each stretch begins
	begins []float64   // the same, in hours from the round's beginning; the last is its end

	kept  bool      // it goes on as it was planned before
	total float64   // what the energy is worth
	taken []float64 // kWh by device
	lack  []float64 // kWh by must, that the best has not got

	decided  decisions // by stretch: when points with least times run
	all      []int     // the points
	ofDevice [][]int   // the points of each device
	cuts     []cut     // scratch
	now      []float64
}

// best finds the settings that are worth most and puts them in an order. short is as of [sharing.solve].
func (x *shares) best() (short float64) {
	x.begins = x.begins[:0]
	at := 0.0
	for i, t := range x.times {
		at = t.Sub(x.from).Hours()
		x.begins = append(x.begins, at)
		at += x.s.stretches[i].hours
	}
	x.begins = append(x.begins, at)
	x.ofDevice = make([][]int, len(x.s.need))
	for u, a := range x.points {
		x.all = append(x.all, u)
		x.ofDevice[a.c.device] = append(x.ofDevice[a.c.device], u)
	}
	if x.keeps() {
		return x.bestKeeping()
	}
	settings, short := x.s.solve()
	for _, a := range x.points {
		a.parts = a.parts[:0]
	}
	last := make([]float64, len(x.points))
	for i := range x.s.stretches {
		var mine []setting
		for _, s := range settings {
			if s.stretch == i {
				mine = append(mine, s)
			}
		}
		last = x.lay(i, order(mine, last), last)
	}
	x.total, x.taken = x.worth()
	return short
}

// order puts a stretch's settings in the order with the fewest changes; of those, what earlier statements take goes first.
func order(list []setting, last []float64) []setting {
	slices.SortStableFunc(list, func(a, b setting) int { return slices.Compare(b.power, a.power) })
	if len(list) > 5 {
		return list // it hardly matters, and there are too many orders to try
	}
	var best []setting
	fewest := math.MaxInt
	permute(list, 0, func(try []setting) {
		n, before := 0, last
		for _, s := range try {
			for u, p := range s.power {
				if math.Abs(p-before[u]) > slack {
					n++
				}
			}
			before = s.power
		}
		if n < fewest {
			fewest, best = n, slices.Clone(try)
		}
	})
	return best
}

// permute calls f with every order of list, the given one first.
func permute(list []setting, k int, f func([]setting)) {
	if k >= len(list)-1 {
		f(list)
		return
	}
	for i := k; i < len(list); i++ {
		moved := slices.Insert(slices.Delete(slices.Clone(list), i, i+1), k, list[i])
		permute(moved, k+1, f)
	}
}

// lay puts a stretch's settings one after another, and nothing for the rest of it. What is set at the end is returned.
func (x *shares) lay(i int, list []setting, last []float64) []float64 {
	at, end := x.begins[i], x.begins[i+1]
	for _, s := range list {
		x.set(at, s.power)
		last = s.power
		at = wholeSeconds(at+s.hours, end)
	}
	if at < end-second {
		last = make([]float64, len(x.points))
		x.set(at, last)
	}
	return last
}

const second = 1.0 / 3600

// wholeSeconds rounds a time up to a whole second of its round, no further than end.
func wholeSeconds(at, end float64) float64 {
	at = math.Ceil(at/second-1e-3) * second
	if at > end-second {
		return end
	}
	return at
}

// set sets every point from at on.
func (x *shares) set(at float64, power []float64) {
	for u, a := range x.points {
		kw := power[u]
		if a.names == nil {
			kw, _ = a.power(a.value(kw)) // as finely as it can be set
			kw = math.Max(0, kw)
		}
		n := len(a.parts)
		switch {
		case n > 0 && a.parts[n-1].at >= at-slack:
			a.parts[n-1].kw = kw
		case n == 0 || math.Abs(a.parts[n-1].kw-kw) > slack:
			a.parts = append(a.parts, part{at, kw})
		}
	}
}

// at returns what the point is set to at a time.
func (a *autoPoint) at(t float64) (kw float64) {
	for _, s := range a.parts {
		if s.at > t+slack {
			break
		}
		kw = s.kw
	}
	return kw
}

const (
	// changeGain is the least part of the whole that a change of a setpoint must bring: each is a command on a slow link.
	changeGain = 0.002
	// shortGain is that of a setting so short that most of it goes by before its commands are through.
	shortGain = 0.01
	// mostLost bounds what is given up for fewer changes.
	mostLost = 0.006
)

// keepCurrent goes on with what is set now and was planned before, where that still fits and a new sharing would gain too
// little to be worth its commands.
func (x *shares) keepCurrent() bool {
	if x.p.Current == nil {
		return false
	}
	found := make([][]part, len(x.points))
	for u, a := range x.points {
		parts, ok := x.planned(a, u)
		if !ok {
			return false
		}
		found[u] = parts
	}
	best, total, taken, stops := make([][]part, len(x.points)), x.total, x.taken, x.stopsAtOnce()
	gained := total - x.delays()
	for u, a := range x.points {
		best[u], a.parts = a.parts, found[u]
	}
	if x.fits(shortStretch+second, 0, math.Inf(1)) && x.keepsAll() && x.stopsAtOnce() <= stops && x.meets(keepLeast) {
		if now, takes := x.worth(); now >= gained*(1-keepGain)-1e-9 || now >= gained-keepLeast-x.queued() {
			x.total, x.taken, x.kept = now, takes, true
			return true
		}
	}
	for u, a := range x.points {
		a.parts = best[u]
	}
	x.total, x.taken = total, taken
	return false
}

// queued returns what a device may have taken less by now than the sharing before took it to, in kWh, because the command
// that let it begin had to wait for another, on whichever link: no reason to share anew.
func (x *shares) queued() float64 {
	most, slowest := 0.0, time.Duration(0)
	for _, a := range x.points {
		most = math.Max(most, a.c.top())
	}
	for i := range x.p.links {
		slowest = max(slowest, x.p.links[i].Spacing+x.p.links[i].Confirm)
	}
	return most * slowest.Hours()
}

// delays returns about what is lost, in kWh, because a share only moves on once the drop has been read back.
func (x *shares) delays() (kwh float64) {
	for _, a := range x.points {
		l := &x.p.links[a.line.link]
		for i := 1; i < len(a.parts); i++ {
			kwh += math.Max(0, a.parts[i].kw-a.parts[i-1].kw) * (l.Spacing + l.Confirm).Hours()
		}
	}
	return kwh
}

const (
	// keepGain and keepLeast are what a new sharing must gain over the one that is under way: a part of the whole, and kWh.
	keepGain  = 0.01
	keepLeast = 0.02
)

// planned returns how the point is set as the round begins and was to be set in it, by the standing and the current plan.
func (x *shares) planned(a *autoPoint, u int) (parts []part, known bool) {
	end := x.begins[len(x.begins)-1]
	set := func(at float64, v actions.Value) bool {
		kw, ok := a.power(v)
		switch n := len(parts); {
		case !ok:
			return false
		case n > 0 && at <= parts[n-1].at+slack:
			parts[n-1].kw = kw
		default:
			parts = append(parts, part{at, kw})
		}
		return true
	}
	if st := &a.line.st; st.Owed && !set(0, st.Value) && a.holds(x.p.holdOf(st.Step)) {
		return nil, false
	}
	for i := range x.p.Current.Steps {
		s := &x.p.Current.Steps[i]
		at := s.Due.Sub(x.from).Hours()
		if s.Point != a.line.ref || at >= end-slack {
			continue
		}
		_, done := x.p.Standing.Steps[s.ID]
		switch {
		case done && s.ID == a.line.st.Step || at <= slack && done:
			// It is in the standing.
		case !set(math.Max(0, at), s.Value) && a.holds(s.Hold):
			return nil, false
		}
	}
	there := slices.IndexFunc(x.s.stretches, func(t stretch) bool { return t.there[u] })
	if there < 0 || len(parts) > 0 && parts[0].at <= x.begins[there]+slack {
		return parts, true
	}
	// No step was planned for its beginning: nothing was to be taken, and that is its normal.
	return slices.Insert(parts, 0, part{}), a.line.zero == a.line.normal
}

// holds reports whether a hold of the point has the id, and asks for auto.
func (a *autoPoint) holds(id string) bool {
	return slices.ContainsFunc(a.line.holds, func(h *hold) bool { return h.id == id && h.live && h.st.Want.Auto })
}

// write puts what was found on the lines.
func (x *shares) write() {
	for _, a := range x.points {
		for i, s := range a.parts {
			v := autoValue{at: x.clock(s.at), value: a.value(s.kw)}
			v.full = !x.kept && i > 0 && s.kw < a.parts[i-1].kw && x.fullAt(a, s.at)
			a.line.auto = append(a.line.auto, v)
		}
	}
}

// fullAt reports whether the sharing takes the point's device to be full at a time, or within a second of it.
func (x *shares) fullAt(a *autoPoint, at float64) bool {
	taken, d := 0.0, a.c.device
	x.each(x.ofDevice[d], 0, at, func(stretch int, from, to float64, now []float64) bool {
		for i, u := range x.ofDevice[d] {
			if x.s.stretches[stretch].there[u] {
				taken += now[i] * (to - from)
			}
		}
		return true
	})
	return taken >= x.s.need[d]-a.at(at-second)*2*second
}

// clock returns the instant so many hours into the round: where a stretch begins to the nanosecond.
func (x *shares) clock(at float64) time.Time {
	for i, t := range x.times {
		if math.Abs(x.begins[i]-at) < slack {
			return t
		}
	}
	return x.from.Add(time.Duration(math.Round(at*3600e3)) * time.Millisecond)
}

// report says in the windows what should be known of the sharing.
func (x *shares) report(r round, short float64) {
	for _, w := range r.windows {
		if short > 0 {
			w.sayShared("the search for the best sharing was cut short: the best takes at most " + percent(short) + " more")
		}
		for u, a := range x.points {
			there := false
			for _, t := range x.s.stretches {
				there = there || t.there[u]
			}
			held := slices.ContainsFunc(w.holds, func(h *hold) bool { return h.line == a.line && h.live && h.st.Want.Auto })
			if held && there && a.base == 0 && x.taken[a.c.device] < 0.001 && x.s.need[a.c.device] > 0.001 {
				w.sayShared("the limit leaves nothing for " + a.line.ref.String())
			}
		}
	}
}

// percent writes a part, rounded up to a tenth of a percent.
func percent(x float64) string {
	return strconv.FormatFloat(math.Ceil(x*1000-1e-9)/10, 'f', -1, 64) + " %"
}
