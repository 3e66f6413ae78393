package plan

import (
	"math"
	"slices"
	"time"

	"spillway/actions"
)

// A round is windows with auto statements that overlap or follow one another at once, and so share with each other: what a
// device takes in one leaves less for it in the next. Where there is time between windows each takes what it can, since
// nobody knows what comes until then.
type round struct {
	from, to time.Time
	windows  []*window
}

// takes reports whether a window that starts at an instant shares in the round.
func (r *round) takes(from time.Time) bool {
	return from.Before(r.to) || from.Equal(r.to) && len(r.windows) < mostInTurn
}

// rounds puts the windows that have something to share, and are not over, into rounds.
func (p *planner) rounds() (list []round) {
	for _, w := range p.windows { // by start
		if !w.ahead(p.now) || !slices.ContainsFunc(w.holds, func(h *hold) bool { return h.live && h.st.Want.Auto && w.shares() }) {
			continue
		}
		from := actions.Later(w.Start, p.now)
		if n := len(list); n > 0 && list[n-1].takes(from) {
			r := &list[n-1]
			r.to, r.windows = actions.Later(r.to, w.End), append(r.windows, w)
			continue
		}
		list = append(list, round{from: from, to: w.End, windows: []*window{w}})
	}
	return list
}

// shares reports whether auto means to take as much as there is; in a turn-down window it means as little.
func (w *window) shares() bool { return w.proc.Direction != actions.TurnDown }

// share works out every auto statement, round by round, since what a device takes in one it no longer needs in the next.
// It reports whether there was anything to share.
func (p *planner) share() bool {
	rounds, down := p.rounds(), p.turnDowns()
	if len(rounds)+len(down) == 0 {
		return false
	}
	// A statement with a value is taken to draw as if its device had nothing from auto: it may be full sooner and leave more,
	// which the next plan sees. The other way about the limit would hang on how much auto gives it.
	explicit := p.explicit()
	for _, w := range p.windows {
		w.forgetShared()
	}
	for _, l := range p.order {
		l.auto, l.down, l.handed = l.auto[:0], l.down[:0], nil
	}
	stores := map[*actions.Device]*allowance{}
	for _, r := range rounds {
		p.shareRound(r, explicit, stores)
	}
	for _, w := range down {
		p.shareDown(w, explicit)
	}
	for _, l := range p.order {
		for _, list := range [][]autoValue{l.auto, l.down} {
			slices.SortStableFunc(list, func(a, b autoValue) int { return a.at.Compare(b.at) })
		}
	}
	return true
}

// turnDowns returns the turn-down windows with auto statements that are not over.
func (p *planner) turnDowns() (list []*window) {
	for _, w := range p.windows {
		if w.ahead(p.now) && !w.down && w.proc != nil && !w.shares() &&
			slices.ContainsFunc(w.holds, func(h *hold) bool { return h.live && h.st.Want.Auto }) {
			list = append(list, w)
		}
	}
	return list
}

// An allowance is what a device can still take as the rounds go on, with the draws that are not shared.
type allowance struct {
	store *store
	draws []draw
}

// until takes off what is drawn before t.
func (a *allowance) until(t time.Time) {
	for len(a.draws) > 0 && a.draws[0].from.Before(t) {
		a.store.take(a.draws[0])
		a.draws = a.draws[1:]
	}
}

// explicit returns the load over time of everything that is not shared. What gives back is left out: the safe side.
func (p *planner) explicit() *profile {
	f := &profile{p: p, other: p.otherLoads(), unshared: true}
	f.devices()
	f.sum()
	return f
}

func (p *planner) shareRound(r round, explicit *profile, stores map[*actions.Device]*allowance) {
	points := p.autoPoints(r)
	if len(points) == 0 {
		return
	}
	s := &sharing{}
	times := p.stretches(r, points, explicit, s)
	devices := map[*actions.Device]int{}
	for u, a := range points {
		got := max(0, slices.IndexFunc(s.stretches, func(t stretch) bool { return t.there[u] }))
		a.cad = p.cadence(a.line, r.from, times[got])
		d, known := devices[a.line.dev]
		if !known {
			d = len(s.need)
			devices[a.line.dev] = d
			s.need = append(s.need, p.needOf(a.line.dev, r.to, stores)-a.least(s, len(s.list)))
		}
		a.c.device = d
		s.list = append(s.list, a.c)
	}
	for d := range s.need {
		s.need[d] = math.Max(0, s.need[d])
	}
	p.musts(r, points, s, times)
	x := &shares{p: p, s: s, points: points, from: r.from}
	x.times = times
	short := x.best()
	x.lack = x.lacks()
	if !x.keepCurrent() {
		x.simplify()
	}
	x.write()
	x.leave()
	x.report(r, short)
	x.sayLacks(r)
	for dev, d := range devices {
		stores[dev].store.take(draw{from: r.from, to: r.from.Add(time.Hour), w: x.taken[d] * 1000})
	}
}

// needOf returns what is left for the device to take once what is not shared has been drawn until t, in kWh.
func (p *planner) needOf(d *actions.Device, t time.Time, stores map[*actions.Device]*allowance) float64 {
	a := stores[d]
	if a == nil {
		a = &allowance{store: p.store(d)}
		for _, l := range p.order {
			if l.dev == d {
				a.draws = l.draws(a.draws)
			}
		}
		a.draws = slices.DeleteFunc(a.draws, func(x draw) bool { return x.shared > 0 })
		slices.SortStableFunc(a.draws, func(x, y draw) int { return x.from.Compare(y.from) })
		stores[d] = a
	}
	a.until(t)
	return a.store.roomWh / 1000
}

// autoPoints returns the points that auto statements of the round are on, in statement order.
func (p *planner) autoPoints(r round) (list []*autoPoint) {
	for i, w := range r.windows {
		for _, h := range w.holds {
			if !h.live || !h.st.Want.Auto || slices.ContainsFunc(list, func(a *autoPoint) bool { return a.line == h.line }) {
				continue
			}
			a := p.autoPoint(h.line)
			a.rank = [2]int{i, h.order}
			list = append(list, a)
		}
	}
	slices.SortStableFunc(list, func(a, b *autoPoint) int { return slices.Compare(a.rank[:], b.rank[:]) })
	return list
}
