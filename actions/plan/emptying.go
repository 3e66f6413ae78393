package plan

import (
	"math"
	"slices"
	"time"

	"spillway/actions"
)

// A giving is what a device gives back, in W by phase.
type giving struct {
	from, to time.Time
	w        [3]float64
}

// A segment is a time in which a battery can give back at one power, in W at its terminals.
type segment struct {
	from, to time.Time
	w        float64
	v        actions.Value
}

// foreign notes what is given back already, so that no more than the other loads ever is. In a turn-down window that gives
// back by auto nothing is left.
func (m *rooms) foreign() {
	p := m.p
	all := p.otherLoads()
	for _, w := range p.windows {
		if w.proc != nil && !w.shares() && slices.ContainsFunc(w.holds, func(h *hold) bool { return h.live && h.st.Want.Auto && p.canGiveBack(h.line) }) {
			m.giving = append(m.giving, giving{w.start, w.End, all})
		}
	}
	for _, l := range p.order {
		for _, d := range l.draws(nil) {
			if d.w < 0 {
				m.give(l.dev, d.from, d.to, -d.w)
			}
		}
	}
}

func (m *rooms) give(d *actions.Device, from, to time.Time, w float64) {
	g := giving{from: from, to: to}
	phases := m.p.premises.PhasesOf(d)
	for _, ph := range phases {
		g.w[ph-1] = w / float64(len(phases))
	}
	m.giving = append(m.giving, g)
}

// segments cuts the time between two instants wherever what may be given back changes. Nothing is exported: on no phase
// more than the other loads that are expected there (FACTS of the trade: discharge is bounded by the load of the house).
func (m *rooms) segments(l *line, from, to time.Time, prefer actions.Value) (list []segment) {
	cuts := []time.Time{from, to}
	for _, g := range m.giving {
		for _, t := range []time.Time{g.from, g.to} {
			if t.After(from) && t.Before(to) {
				cuts = append(cuts, t)
			}
		}
	}
	slices.SortFunc(cuts, time.Time.Compare)
	cuts = slices.CompactFunc(cuts, time.Time.Equal)
	for i, t := range cuts[:max(0, len(cuts)-1)] {
		left := m.p.otherLoads()
		for _, g := range m.giving {
			if !g.from.After(t) && g.to.After(t) {
				for ph := range left {
					left[ph] -= g.w[ph]
				}
			}
		}
		s := segment{from: t, to: cuts[i+1]}
		s.v, s.w = m.giveBack(l, left, prefer)
		if n := len(list); n > 0 && list[n-1].v == s.v {
			list[n-1].to = s.to
			continue
		}
		list = append(list, s)
	}
	return list
}

// giveBack returns the value with which the point gives back most of what is left by phase, and what that is in W. A value
// it has, or was to have, is kept where it does nearly as well.
func (m *rooms) giveBack(l *line, left [3]float64, prefer actions.Value) (v actions.Value, w float64) {
	p := m.p
	phases := p.premises.PhasesOf(l.dev)
	most := math.Inf(1)
	for _, ph := range phases {
		most = math.Min(most, math.Max(0, left[ph-1])*float64(len(phases)))
	}
	if l.dev.DischargeW > 0 {
		most = math.Min(most, l.dev.DischargeW)
	}
	v = l.idle()
	if len(l.pt.Values) > 0 {
		for i := range l.pt.Values {
			name := actions.Named(l.pt.Values[i].Name)
			if x, _ := p.premises.DrawW(l.dev, l.pt, name); -x > w && -x <= most+wattSlack {
				v, w = name, -x
			}
		}
		return v, w
	}
	one, _ := p.premises.DrawW(l.dev, l.pt, actions.Number(1))
	most = math.Min(most, -l.pt.Min*one)
	grain := grainOf(l.pt.Unit)
	n := tidy(math.Floor(most/one/grain+1e-6) * grain)
	if was := -prefer.Number; prefer.IsNumber() && was > 0 && was*one <= most+wattSlack && math.Abs(was-n) <= n/10 {
		n = was
	}
	if n <= 0 {
		return v, 0
	}
	return actions.Number(-n), n * one
}

// An emptying is a battery that gives back before a window.
type emptying struct {
	target
	m        *rooms
	l        *line
	segments []segment
	back     float64 // what of the energy taken comes back
}

// empty lets a battery give back beforehand.
func (m *rooms) empty(t target) {
	can := slices.DeleteFunc(slices.Clone(t.lines), func(l *line) bool { return !m.p.canGiveBack(l) || !l.idle().Known })
	if len(can) == 0 {
		t.w.say(t.d.Name + " has no point that lets it give back: a number in W, kW or A whose range goes below 0, or a name that draws less than nothing; it can only be held off")
		m.holdOff(t)
		return
	}
	if slices.ContainsFunc(can, func(l *line) bool { return !m.may(t.w, l) }) {
		return
	}
	level := t.d.LevelNow(m.p.Readings)
	if !level.Known || t.d.CapacityWh <= 0 {
		what := "level"
		if t.d.CapacityWh <= 0 {
			what = "capacity"
		}
		t.w.say("the " + what + " of " + t.d.Name + " is not known, so no room is made in it")
		return
	}
	e := &emptying{target: t, m: m, l: can[0], back: m.p.store(t.d).back}
	e.plan()
}

// plan works out when the battery gives back, and how much.
func (e *emptying) plan() {
	m, w, l := e.m, e.w, e.l
	begun, hasBegun := m.begun(w, l.ref)
	earliest, cap := m.readyBounds(e.target, m.earliest(e.target, l))
	if !earliest.Before(w.start) {
		return
	}
	e.segments = m.segments(l, earliest, w.start, e.prefer())
	before := m.storeAt(e.d, w.start).roomWh
	reach := math.Min(e.room(earliest), math.Max(cap, before))
	can := m.canTake(e.target, reach)
	want := math.Min(can, reach)
	resting := hasBegun && e.nowGives() == 0
	least := leastRoomWh
	if resting { // a level that is read a little lower is no reason to begin again
		least = math.Max(least, e.d.CapacityWh/100)
	}
	if want-before < least && !hasBegun {
		return
	}
	from := later(m.p.now, earliest)
	giving := hasBegun && !resting
	switch {
	case want-before < least:
		giving = false
	case !giving:
		from = e.search(earliest, want)
		if !hasBegun {
			from = m.steady(w, l.ref, from, earliest)
		}
	}
	r := &roomHold{}
	e.fill(r, from, want, !giving && want-before < least)
	if hasBegun {
		if from.After(m.p.now) && len(r.values) > 0 && r.values[0].at.After(m.p.now) {
			r.values = slices.Insert(r.values, 0, autoValue{at: m.p.now, value: l.idle()})
		}
		from = begun
	}
	if len(r.values) == 0 || from.Sub(w.start) >= 0 {
		return
	}
	e.tell(r, from, math.Min(can, before), can)
}

// prefer returns what the point has, or was to have, for this hold.
func (e *emptying) prefer() actions.Value {
	if st := &e.l.st; st.Owed && e.m.p.holdOf(st.Step) == e.m.id(e.w, e.l.ref) {
		return st.Value
	}
	c, _ := e.m.before(e.w, e.l.ref)
	return c.Value
}

// nowGives returns what the point gives back now for this hold, in W.
func (e *emptying) nowGives() float64 {
	st := &e.l.st
	if !st.Owed || e.m.p.holdOf(st.Step) != e.m.id(e.w, e.l.ref) {
		return 0
	}
	w, _ := e.m.p.premises.DrawW(e.d, e.l.pt, st.Value)
	return math.Max(0, -w)
}

// room returns the room there is at the window's start, in Wh, where the battery gives back from b on all it can.
func (e *emptying) room(b time.Time) float64 {
	s := e.m.storeAt(e.d, b)
	wh := 0.0
	for _, x := range e.segments {
		if from := later(x.from, b); from.Before(x.to) {
			wh += x.w * x.to.Sub(from).Hours()
		}
	}
	return s.roomWh + math.Min(wh, s.spareWh)/e.back
}

// search returns the latest whole second before the window's start, not before earliest, from which the room comes to want;
// it is never too late for the command to be confirmed in time. The later it begins the less room there is, so halving the
// interval finds it.
func (e *emptying) search(earliest time.Time, want float64) time.Time {
	const enough = 0.01 // Wh; forgives the rounding of sums
	start := e.w.start
	least, most := int(start.Sub(e.m.latest(e.w, e.l))/time.Second), int(start.Sub(earliest)/time.Second)
	at := func(n int) time.Time { return start.Add(-time.Duration(n) * time.Second) }
	if least >= most || e.room(at(most)) < want-enough {
		return earliest
	}
	for least < most {
		n := (least + most) / 2
		if e.room(at(n)) >= want-enough {
			most = n
		} else {
			least = n + 1
		}
	}
	return at(most)
}

// fill sets the values from an instant on: giving back until the room is made or the battery is as low as it may be, then
// nothing, so that it does not fill again by itself. Where only a little is left of the time it goes on.
func (e *emptying) fill(r *roomHold, from time.Time, want float64, idle bool) {
	from = later(from, e.m.p.now)
	s := e.m.storeAt(e.d, from)
	left := math.Max(0, (want-s.roomWh)*e.back)
	spare := s.spareWh
	set := func(at time.Time, v actions.Value) {
		if n := len(r.values); n == 0 || r.values[n-1].value != v {
			r.values = append(r.values, autoValue{at: at, value: v})
		}
	}
	for _, x := range e.segments {
		begin := later(x.from, from)
		if !begin.Before(x.to) {
			continue
		}
		enough, lowest := begin.Add(hoursOf(left/x.w)), begin.Add(hoursOf(spare/x.w))
		if idle || x.w <= 0 || left < littleWh || lowest.Sub(begin) < leastDraw {
			set(begin, e.l.idle())
			continue
		}
		set(begin, x.v)
		end := x.to
		switch {
		case enough.Before(earlier(end, e.w.start.Add(-steadyRoom))) && !lowest.Before(enough):
			end, r.rest = enough.Truncate(time.Second), "there is room enough"
		case lowest.Before(end):
			end, r.rest = lowest.Truncate(time.Second), "it is as low as it may be"
		}
		end = later(end, begin)
		hours := end.Sub(begin).Hours()
		left, spare = left-x.w*hours, spare-x.w*hours
		e.m.give(e.d, begin, end, x.w)
		if end.Before(x.to) {
			set(end, e.l.idle())
			left = 0
		}
	}
}

// littleWh is not worth a word: less than what a battery's level shows.
const littleWh = 0.5

func hoursOf(h float64) time.Duration {
	return time.Duration(math.Min(h, 24*365) * float64(time.Hour))
}

// tell puts the hold on the point, and says what is gained.
func (e *emptying) tell(r *roomHold, from time.Time, without, can float64) {
	e.m.hold(e.w, e.l, from, r)
	with := math.Min(can, e.m.storeAt(e.d, e.w.start).roomWh)
	wh := 0.0
	for _, d := range e.l.draws(nil) {
		if d.w < 0 && d.from.Before(e.w.start) && !d.from.Before(from) {
			wh -= d.w * earlier(d.to, e.w.start).Sub(d.from).Hours()
		}
	}
	r.why = "it gives back " + kwhs(wh) + " beforehand, so that it can take " + kwhs(with) + " in the window instead of " + kwhs(without)
	e.w.room = append(e.w.room, actions.Room{Device: e.d.Name, BackKWh: kw(wh), MoreKWh: kw(math.Max(0, with-without))})
}

// canTake returns the most that the window can take with the device, in Wh, were there room for reach: what statements with
// a value draw while they rule it, and its share where they say auto. Others come before it in the sharing, since room that
// only takes from them is not worth making.
func (m *rooms) canTake(t target, reach float64) (wh float64) {
	var all []draw
	for _, l := range t.lines {
		for _, d := range l.draws(nil) {
			d.from, d.to = later(d.from, t.w.start), earlier(d.to, t.w.End)
			if d.w > 0 && d.shared == 0 && d.from.Before(d.to) {
				all = append(all, d)
			}
		}
	}
	slices.SortStableFunc(all, func(a, b draw) int { return a.from.Compare(b.from) })
	for _, d := range flatten(all, t.d.PowerW) {
		wh += math.Min(d.w, m.p.mostW(t.d)) * d.to.Sub(d.from).Hours()
	}
	x := m.trial(t.w.start, t.w.End)
	if x == nil {
		return wh
	}
	d, shares := x.devices[t.d]
	if !shares {
		return wh
	}
	x.s.need[d] = math.Max(0, reach-wh) / 1000
	for u := range x.s.list {
		if x.s.list[u].device == d {
			x.s.list[u].worth *= 1 - 1e-3
		}
	}
	settings, _ := x.s.solve()
	for _, s := range settings {
		for u, p := range s.power {
			if x.s.list[u].device == d {
				wh += p * s.hours * 1000
			}
		}
	}
	return wh
}
