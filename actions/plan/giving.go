package plan

import (
	"math"
	"slices"
	"time"

	"spillway/actions"
)

// A giving is what a device gives back, in W by phase.
type giving struct {
	l        *line // nil: of no one point
	from, to time.Time
	w        [3]float64
	slack    time.Duration // how late its end may come
}

// place orders givings by point.
func (g *giving) place() int {
	if g.l == nil {
		return -1
	}
	return slices.Index(g.l.p.order, g.l)
}

// A segment is a time in which a battery can give back at one power, in W at its terminals.
type segment struct {
	from, to time.Time
	w        float64
	v        actions.Value
	others   bool // others give back then
}

// foreign notes what is given back already, so that no more than the other loads ever is. In a turn-down window that gives
// back by auto nothing is left, and nothing is given back in a turn-up window, which is for using more.
func (m *rooms) foreign() {
	p := m.p
	all := m.other
	for _, w := range p.windows {
		if w.proc == nil || !w.ahead(p.now) {
			continue
		}
		if w.proc.Direction == actions.TurnUp || !w.shares() && slices.ContainsFunc(w.holds, func(h *hold) bool { return h.live && h.st.Want.Auto && p.canGiveBack(h.line) }) {
			m.giving = append(m.giving, giving{from: w.start, to: w.End, w: all})
		}
	}
	for _, l := range p.order {
		for _, d := range l.draws(nil) {
			if d.w < 0 {
				m.give(l, d.from, d.to, -d.w)
			}
		}
	}
}

func (m *rooms) give(l *line, from, to time.Time, w float64) {
	m.giving = append(m.giving, giving{l: l, from: from, to: to, w: m.byPhase(l, w), slack: l.slack()})
}

// byPhase spreads the power of a point over its phases.
func (m *rooms) byPhase(l *line, w float64) (by [3]float64) {
	phases := m.p.premises.PhasesOf(l.dev)
	for _, ph := range phases {
		by[ph-1] = w / float64(len(phases))
	}
	return by
}

// lowered returns what other points than l give back until the commands are through that let them give back less from now on.
func (m *rooms) lowered(l *line) (list []giving) {
	for _, o := range m.p.order {
		if w, _ := m.p.premises.DrawW(o.dev, o.pt, o.st.Value); o != l && o.st.Owed && w < 0 {
			list = append(list, giving{l: o, from: m.p.now, to: m.p.now, w: m.byPhase(o, -w), slack: o.slack()})
		}
	}
	return list
}

// givenAt takes off what is left what others, which are by point, give back at t. A point gives one of its powers at a time:
// the most counts where slack lets them overlap.
func givenAt(others []giving, t time.Time, left [3]float64) [3]float64 {
	var l *line
	var most [3]float64
	for _, g := range others {
		if g.from.After(t) || !g.to.After(t) {
			continue
		}
		if l == nil || g.l != l {
			l, most = g.l, [3]float64{}
		}
		for ph, w := range g.w {
			left[ph] -= math.Max(0, w-most[ph])
			most[ph] = math.Max(w, most[ph])
		}
	}
	return left
}

// segments cuts the time between two instants wherever what may be given back changes. Nothing is exported: on no phase
// more than the other loads that are expected there (FACTS of the trade: discharge is bounded by the load of the house).
func (m *rooms) segments(l *line, from, to time.Time, prefer actions.Value) (list []segment) {
	cuts := []time.Time{from, to}
	var others []giving
	for _, g := range slices.Concat(m.giving, m.lowered(l)) {
		if !g.from.Before(to) {
			continue
		}
		g.from, g.to = g.from.Add(-l.slack()), g.to.Add(g.slack) // commands may have to queue
		if !g.to.After(from) {
			continue
		}
		others = append(others, g)
		for _, t := range []time.Time{g.from, g.to} {
			if t.After(from) && t.Before(to) {
				cuts = append(cuts, t)
			}
		}
	}
	slices.SortStableFunc(others, func(a, b giving) int { return a.place() - b.place() })
	slices.SortFunc(cuts, time.Time.Compare)
	cuts = slices.CompactFunc(cuts, time.Time.Equal)
	for i, t := range cuts[:max(0, len(cuts)-1)] {
		left := givenAt(others, t, m.other)
		s := segment{from: t, to: cuts[i+1], others: left != m.other}
		s.v, s.w = m.giveBack(l, left, s.to.Sub(s.from).Hours(), prefer)
		if s.w > 0 {
			prefer = s.v
		}
		if n := len(list); n > 0 && list[n-1].v == s.v {
			list[n-1].to, list[n-1].others = s.to, list[n-1].others || s.others
			continue
		}
		list = append(list, s)
	}
	return list
}

// giveBack returns the value with which the point gives back most of what is left by phase, and what that is in W. A value
// it has, or was to have, is kept where it does nearly as well, or where what another would add in those hours is not worth
// its command.
func (m *rooms) giveBack(l *line, left [3]float64, hours float64, prefer actions.Value) (v actions.Value, w float64) {
	p := m.p
	phases := p.premises.PhasesOf(l.dev)
	most := math.Inf(1)
	for _, ph := range phases {
		most = math.Min(most, math.Max(0, left[ph-1])*float64(len(phases)))
	}
	if l.dev.DischargeW > 0 {
		most = math.Min(most, l.dev.DischargeW)
	}
	v, w = l.giveMost(most)
	was, _ := p.premises.DrawW(l.dev, l.pt, prefer)
	if was = -was; was > 0 && was <= most+wattSlack && (w-was <= w/10 || (w-was)*hours < leastRoomWh) {
		return prefer, was
	}
	return v, w
}

// giveMost returns the value with which the point gives back most, but no more than most W, and what that is.
func (l *line) giveMost(most float64) (v actions.Value, w float64) {
	v = l.idle()
	if len(l.pt.Values) > 0 {
		for i := range l.pt.Values {
			name := actions.Named(l.pt.Values[i].Name)
			if x, _ := l.p.premises.DrawW(l.dev, l.pt, name); -x > w && -x <= most+wattSlack {
				v, w = name, -x
			}
		}
		return v, w
	}
	one, _ := l.p.premises.DrawW(l.dev, l.pt, actions.Number(1))
	most = math.Min(most, -l.pt.Min*one)
	grain := grainOf(l.pt.Unit)
	n := tidy(math.Floor(most/one/grain+1e-6) * grain)
	if n <= 0 {
		return v, 0
	}
	return actions.Number(-n), n * one
}

// metBackW returns what the point gave back, in W, when the whole import was read: by what it is set to, or was set to before
// where that is from later than the reading. So soon after a command that nobody knows, the lower of the loads that both come
// to counts, but no less than the command. A battery that is as low as it may be gives nothing.
func (p *planner) metBackW(l *line) float64 {
	meter := *p.premises.Supply.OtherLoads
	v, read := l.st.Value, p.Readings[meter].At
	if !read.IsZero() && read.Before(l.st.Sent) {
		v = p.Standing.Steps[l.st.Step].Step.From
	}
	w, _ := p.premises.DrawW(l.dev, l.pt, v)
	switch {
	case w >= 0 || p.store(l.dev).spareWh <= 0:
		return 0
	case !read.IsZero() && read.Before(l.st.Sent.Add(metSettles)):
		return math.Max(0, -w-p.importW(meter))
	}
	return -w
}

// slack returns how long before the battery is as low as it may be giving back ends, so that a command that has to queue is
// in time.
func (l *line) slack() time.Duration {
	link := &l.p.links[l.link]
	return 2*link.Spacing + link.Confirm
}
