package plan

import (
	"math"
	"slices"
	"time"

	"spillway/actions"
)

// An emptying is a battery that gives back before a window.
type emptying struct {
	target
	m        *rooms
	l        *line
	segments []segment
	back     float64 // what of the energy taken comes back
}

// empty lets a battery give back beforehand. It reports whether others leave it too little to make the room it could use.
func (m *rooms) empty(t target) (short bool) {
	can := slices.DeleteFunc(slices.Clone(t.lines), func(l *line) bool { return !m.p.canGiveBack(l) || !l.idle().Known })
	if len(can) == 0 {
		t.w.say(t.d.Name + " has no point that lets it give back: a number in W, kW or A whose range goes below 0, or a name that draws less than nothing; it can only be held off")
		m.holdOff(t)
		return false
	}
	if slices.ContainsFunc(can, func(l *line) bool { return !m.may(t.w, l) }) {
		return false
	}
	level := t.d.LevelNow(m.p.Readings)
	if !level.Known || t.d.CapacityWh <= 0 {
		what := "level"
		if t.d.CapacityWh <= 0 {
			what = "capacity"
		}
		t.w.say("the " + what + " of " + t.d.Name + " is not known, so no room is made in it")
		return false
	}
	e := &emptying{target: t, m: m, l: can[0], back: m.p.store(t.d).back}
	return e.plan()
}

// plan works out when the battery gives back, and how much. It reports whether others leave it too little.
func (e *emptying) plan() (short bool) {
	m, w, l := e.m, e.w, e.l
	begun, hasBegun := m.begun(w, l.ref)
	earliest, cap := m.readyBounds(e.target, m.earliest(e.target, l))
	if !earliest.Before(w.start) {
		return short
	}
	e.segments = m.segments(l, earliest, w.start, e.prefer())
	before := m.storeAt(e.d, w.start).roomWh
	reach := math.Min(e.room(earliest), math.Max(cap, before))
	short = slices.ContainsFunc(e.segments, func(x segment) bool { return x.others }) && e.room(earliest) < e.wouldTake()
	can := m.canTake(e.target, reach)
	want := math.Min(can, reach)
	resting := hasBegun && e.nowGives() == 0
	least := e.least(hasBegun, resting)
	if want-before < least && !hasBegun {
		return short
	}
	from := actions.Later(m.p.now, earliest)
	giving := hasBegun && !resting
	e.slow(from, want, giving)
	switch {
	case giving && !e.wasteful(m.p.now, e.nowGives()): // it goes on, for as long as it may
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
		return short
	}
	e.tell(r, from, math.Min(can, before), can)
	return short
}

// slow lets the battery give back at a lower power: at what it does where that makes the room in time, and where devices
// are spread at what makes it in all the time there is, so that they find time beside each other.
func (e *emptying) slow(from time.Time, want float64, giving bool) {
	need := math.Max(0, (want-e.m.storeAt(e.d, from).roomWh)*e.back)
	part := 1.0
	if e.m.spread {
		wh := 0.0
		for _, x := range e.segments {
			if begin := actions.Later(x.from, from); begin.Before(x.to) {
				wh += x.w * x.to.Sub(begin).Hours()
			}
		}
		part = math.Min(1, need/math.Max(wh, 1))
	}
	now := e.nowGives()
	keeps := giving && now*e.w.start.Sub(from).Hours() >= need-leastRoomWh
	for i := range e.segments {
		x := &e.segments[i]
		switch {
		case keeps && x.w > now:
			x.v, x.w = e.l.st.Value, now
		case part < 1 && len(e.l.pt.Values) == 0:
			x.v, x.w = e.l.giveMost(x.w*part + wattSlack)
		}
	}
}

// wouldTake returns what the window could take with the battery at the most, in Wh, and the battery has.
func (e *emptying) wouldTake() float64 {
	s := e.m.storeAt(e.d, e.w.start)
	return math.Min(s.roomWh+s.spareWh/e.back, e.m.p.mostW(e.d)*e.w.End.Sub(e.w.start).Hours()) - leastRoomWh
}

// least returns the least gain for which the battery gives back, in Wh. What it does already, or was to do, it goes on with
// for less; after a rest a level that is read a little lower is no reason to begin again.
func (e *emptying) least(begun, resting bool) float64 {
	_, planned := e.m.before(e.w, e.l.ref)
	switch {
	case resting:
		return math.Max(leastRoomWh, e.d.CapacityWh/100)
	case begun:
		return littleWh
	case planned:
		return leastRoomWh / 2
	}
	return leastRoomWh
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
		if from := actions.Later(x.from, b); from.Before(x.to) {
			wh += x.w * x.to.Sub(from).Hours()
		}
	}
	return s.roomWh + math.Min(wh, s.spareWh)/e.back
}

// search returns the latest whole second before the window's start, not before earliest, from which the room comes to want;
// it is never too late for the command to be confirmed in time. The later it begins the less room there is, so halving the
// interval finds it.
func (e *emptying) search(earliest time.Time, want float64) time.Time {
	start := e.w.start
	least, most := int(start.Sub(e.m.latest(e.w, e.l))/time.Second), int(start.Sub(earliest)/time.Second)
	at := func(n int) time.Time { return start.Add(-time.Duration(n) * time.Second) }
	if least >= most || e.room(at(most)) < want-littleWh {
		return earliest
	}
	for least < most {
		n := (least + most) / 2
		if e.room(at(n)) >= want-littleWh {
			most = n
		} else {
			least = n + 1
		}
	}
	return at(most)
}

// fill sets the values from an instant on: giving back until the room is made or the battery is as low as it may be, then
// nothing, so that it does not fill again by itself. Where only a little would be given back too much it goes on.
func (e *emptying) fill(r *roomHold, from time.Time, want float64, idle bool) {
	from = actions.Later(from, e.m.p.now)
	s := e.m.storeAt(e.d, from)
	left := math.Max(0, (want-s.roomWh)*e.back)
	spare := s.spareWh
	set := func(at time.Time, v actions.Value) {
		if n := len(r.values); n == 0 || r.values[n-1].value != v {
			r.values = append(r.values, autoValue{at: at, value: v})
		}
	}
	for _, x := range e.segments {
		begin := actions.Later(x.from, from)
		if !begin.Before(x.to) {
			continue
		}
		enough, lowest := begin.Add(hoursOf(left/x.w)), begin.Add(hoursOf(spare/x.w)-e.l.slack())
		over := left < littleWh && e.wasteful(begin, x.w)
		n := len(r.values)
		short := n > 0 && r.values[n-1].value == e.l.idle() && x.w*actions.Earlier(x.to, lowest).Sub(begin).Hours() < leastRoomWh
		if idle || x.w <= 0 || over || short || lowest.Sub(begin) < leastDraw {
			set(begin, e.l.idle())
			if r.rest == "" && left < littleWh {
				r.rest = roomEnough
			}
			continue
		}
		set(begin, x.v)
		end := x.to
		switch {
		case enough.Before(end) && e.wasteful(enough, x.w) && !lowest.Before(enough):
			end, r.rest = whole(enough), roomEnough
		case lowest.Before(end):
			end, r.rest = whole(lowest), roomLowest
		}
		end = actions.Later(end, begin)
		hours := end.Sub(begin).Hours()
		left, spare = left-x.w*hours, spare-x.w*hours
		e.m.give(e.l, begin, end, x.w)
		if end.Before(x.to) {
			set(end, e.l.idle())
			left = 0
		}
	}
}

// metSettles is how long after a command a reading of the whole import may or may not show it yet: boxes ramp, and meters
// report now and then (common practice, no source).
const metSettles = time.Minute

// wasteful reports whether giving back on to the window, once there is room enough, gives back more than the commands that
// end it are worth.
func (e *emptying) wasteful(from time.Time, w float64) bool {
	return w*e.w.start.Sub(from).Hours() > math.Max(leastRoomWh, e.d.CapacityWh/50)
}

// The reasons for which giving back ends before the window.
const (
	roomEnough = "there is room enough"
	roomLowest = "it is as low as it may be"
)

// littleWh forgives the rounding of sums.
const littleWh = 0.01

// whole returns the whole second that is past at t; the dust of sums makes no other one of it.
func whole(t time.Time) time.Time { return t.Add(time.Millisecond).Truncate(time.Second) }

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
			wh -= d.w * actions.Earlier(d.to, e.w.start).Sub(d.from).Hours()
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
			d.from, d.to = actions.Later(d.from, t.w.start), actions.Earlier(d.to, t.w.End)
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
