package plan

import (
	"math"
	"slices"
	"strconv"
	"time"

	"spillway/actions"
)

// Headroom: a battery or tank with make_room gets ready to take as much as it can in a turn-up window that draws with it. A
// battery gives back to the premises beforehand, a tank is not heated (see emptying.go and holdoff.go). What is worked out
// becomes holds like those of lead-in statements: at the procedure's rank, until the window starts.
//
// How much room is wanted hangs on what the window can take, that on how it is shared, and that on the levels which earlier
// windows leave. So the windows are gone through by time, each stretch of sharing being tried before the next; nothing of
// those trials is kept but the holds.

const (
	// leastRoomWh is the least gain in a window that is worth the commands of making room.
	leastRoomWh = 20.0
	// steadyRoom is how far a beginning that was planned before may lie from what is best now, and still be kept.
	steadyRoom = 5 * time.Minute
	// mostTargets is for how many devices and windows room is made at once, the next first. What comes after is days ahead,
	// and its levels are a guess anyway.
	mostTargets = 60
)

// A roomHold is what a hold that makes room sets its point to, by time.
type roomHold struct {
	values []autoValue
	why    string // what it is good for
	rest   string // why it gives nothing back from some time on
}

// at returns the value at t; before the first it is that.
func (r *roomHold) at(t time.Time) actions.Value {
	v := r.values[0].value
	for _, x := range r.values {
		if x.at.After(t) {
			break
		}
		v = x.value
	}
	return v
}

// reason says why a command of the hold is sent.
func (r *roomHold) reason(c *change) string {
	if draws, _ := c.line.p.premises.DrawW(c.line.dev, c.line.pt, c.value); draws == 0 && r.rest != "" {
		return r.rest + ", and it is kept from filling until the window"
	}
	return r.why
}

// next returns when the value next changes after t; zero: it does not.
func (r *roomHold) next(t time.Time) time.Time {
	for _, x := range r.values[1:] {
		if x.at.After(t) {
			return x.at
		}
	}
	return time.Time{}
}

// since returns from when the hold asks for what it asks for at t.
func (h *hold) since(t time.Time) time.Time {
	since := h.from
	if h.room == nil {
		return since
	}
	_, begun := h.line.p.hasBegun(h)
	for i, x := range h.room.values {
		if x.at.After(t) {
			break
		}
		if i > 0 || begun { // what is not sent yet was due when the hold began
			since = later(since, x.at)
		}
	}
	return since
}

// A target is a device that is to have room when a window starts.
type target struct {
	w     *window
	d     *actions.Device
	lines []*line // of the device, those in the sums
}

// rooms is the planner while it makes room.
type rooms struct {
	p        *planner
	explicit *profile                   // nil: it has changed since it was worked out
	flat     map[*actions.Device][]draw // what devices draw, where nothing has changed since
	other    [3]float64                 // W by phase, of the rest of the premises
	lines    map[*actions.Device][]*line
	targets  []target
	giving   []giving
	numbers  map[actions.Ref]int // of points of devices with make_room
	spread   bool                // give back over all the time there is, rather than late
	made     map[string]bool     // holds, by id
}

// headroom makes room, and reports whether any hold came of it.
func (p *planner) headroom() bool {
	m := &rooms{p: p, made: map[string]bool{}, flat: map[*actions.Device][]draw{}}
	if !m.number() {
		return false
	}
	m.other = p.otherLoads()
	m.open()
	if len(m.targets) > 0 {
		for _, l := range p.order {
			l.auto, l.down = l.auto[:0], l.down[:0]
		}
		p.sortLines()
		p.build()
		m.foreign()
		m.walk()
		p.startAuto()
	}
	m.over()
	if len(m.targets)+len(m.made) == 0 {
		return false
	}
	p.sortLines()
	return true
}

// number gives every point that room may be made with a number, which its holds are called by, and reports whether there
// are any.
func (m *rooms) number() bool {
	for i := range m.p.premises.Devices {
		d := &m.p.premises.Devices[i]
		if !d.MakeRoom || !d.Enabled || d.Kind != actions.Battery && d.Kind != actions.Tank {
			continue
		}
		for k := range d.Points {
			if m.numbers == nil {
				m.numbers = map[actions.Ref]int{}
			}
			if d.Points[k].Write != nil {
				m.numbers[d.Points[k].Ref] = len(m.numbers) + 1
			}
		}
	}
	return m.numbers != nil
}

// open finds the targets, and opens the lines of their devices.
func (m *rooms) open() {
	p := m.p
	m.lines = map[*actions.Device][]*line{}
	for _, w := range p.windows {
		if w.proc == nil || w.proc.Direction != actions.TurnUp || !w.start.After(p.now) {
			continue
		}
		first := len(m.targets)
		for i := range p.premises.Devices {
			d := &p.premises.Devices[i]
			if !d.MakeRoom || d.Kind != actions.Battery && d.Kind != actions.Tank || !w.drawsWith(d) {
				continue
			}
			if len(m.targets) == mostTargets {
				w.say("room in " + d.Name + " is only made when the window is nearer")
			} else {
				m.targets = append(m.targets, target{w: w, d: d, lines: m.linesOf(d)})
			}
		}
		slices.SortStableFunc(m.targets[first:], m.compare)
	}
}

// drawsWith reports whether the window draws with the device once it has started.
func (w *window) drawsWith(d *actions.Device) bool {
	return slices.ContainsFunc(w.holds, func(h *hold) bool {
		return h.live && h.line.dev == d && h.to.After(w.start) && (h.st.Want.Auto || h.drawW() > 0)
	})
}

// autos returns 1 where the window shares with the device, else 0.
func (w *window) autos(d *actions.Device) int {
	if slices.ContainsFunc(w.holds, func(h *hold) bool { return h.live && h.line.dev == d && h.st.Want.Auto }) {
		return 1
	}
	return 0
}

// linesOf returns the lines of the device's points that can be held and are in the sums.
func (m *rooms) linesOf(d *actions.Device) []*line {
	if list, ok := m.lines[d]; ok {
		return list
	}
	var list []*line
	for i := range d.Points {
		pt := &d.Points[i]
		if _, draws := m.p.premises.DrawW(d, pt, actions.Value{}); draws && !pt.Protects {
			if l := m.p.line(pt.Ref); l != nil && l.link >= 0 {
				list = append(list, l)
			}
		}
	}
	m.lines[d] = list
	return list
}

// walk goes through time from one start or end of a window to the next, as far as there are targets.
func (m *rooms) walk() {
	p := m.p
	last := m.targets[len(m.targets)-1].w.start
	cuts := []time.Time{p.now}
	for _, w := range p.windows {
		cuts = append(cuts, w.start, w.End)
	}
	slices.SortFunc(cuts, time.Time.Compare)
	cuts = slices.CompactFunc(cuts, time.Time.Equal)
	next := 0
	for i, t := range cuts {
		if t.Before(p.now) {
			continue
		}
		for next < len(m.targets) && !m.targets[next].w.start.After(t) {
			first := next
			for next < len(m.targets) && m.targets[next].w == m.targets[first].w {
				next++
			}
			m.inOrder(m.targets[first:next])
		}
		if !t.Before(last) {
			break
		}
		m.tryShare(t, cuts[i+1])
	}
}

// A trial is a sharing that is tried.
type trial struct {
	r       round
	points  []*autoPoint
	s       *sharing
	times   []time.Time
	devices map[*actions.Device]int
}

// trial sets up the sharing between two instants; nil where there is none.
func (m *rooms) trial(from, to time.Time) *trial {
	t := &trial{r: round{from: from, to: to}, s: &sharing{}, devices: map[*actions.Device]int{}}
	for _, w := range m.p.windows {
		if w.ahead(m.p.now) && w.start.Before(to) && w.End.After(from) && w.proc != nil && w.shares() &&
			slices.ContainsFunc(w.holds, func(h *hold) bool { return h.live && h.st.Want.Auto }) {
			t.r.windows = append(t.r.windows, w)
		}
	}
	if len(t.r.windows) == 0 {
		return nil
	}
	if m.explicit == nil {
		m.explicit = m.p.explicit()
	}
	t.points = m.p.autoPoints(t.r)
	t.times = m.p.stretches(t.r, t.points, m.explicit, t.s)
	for _, a := range t.points {
		d, known := t.devices[a.line.dev]
		if !known {
			d = len(t.s.need)
			t.devices[a.line.dev] = d
			t.s.need = append(t.s.need, math.Max(0, m.storeAt(a.line.dev, to).roomWh/1000-a.least(t.s, len(t.s.list))))
		}
		a.c.device = d
		t.s.list = append(t.s.list, a.c)
	}
	return t
}

// tryShare works out what auto statements come to between two instants, for the levels after them.
func (m *rooms) tryShare(from, to time.Time) {
	t := m.trial(from, to)
	if t == nil {
		return
	}
	x := &shares{p: m.p, s: t.s, points: t.points, from: from, times: t.times}
	x.best()
	x.write()
	for _, a := range t.points {
		m.settle(a.line)
	}
}

// settle works the line out anew, as if every command went when it is due.
func (m *rooms) settle(l *line) {
	l.build()
	for _, c := range l.changes {
		c.at = later(c.due, m.p.now)
	}
	delete(m.flat, l.dev)
	m.explicit = nil
}

// storeAt returns how much the device can take and give at an instant to come, as far as is planned.
func (m *rooms) storeAt(d *actions.Device, t time.Time) *store {
	s := m.p.store(d)
	for _, x := range m.drawsOf(d) {
		if !x.from.Before(t) {
			break
		}
		x.to = earlier(x.to, t)
		s.take(x)
	}
	return s
}

// drawsOf returns what the device draws and gives back as far as is planned.
func (m *rooms) drawsOf(d *actions.Device) []draw {
	if flat, ok := m.flat[d]; ok {
		return flat
	}
	var all []draw
	for i := range d.Points {
		if l := m.p.lines[d.Points[i].Ref]; l != nil {
			all = l.draws(all)
		}
	}
	m.flat[d] = flatten(all, d.PowerW)
	return m.flat[d]
}

// levelAt returns the level of the device at an instant to come, as far as is planned.
func (m *rooms) levelAt(d *actions.Device, t time.Time) (level float64, known bool) {
	now := d.LevelNow(m.p.Readings)
	per, figured := d.FillWh(0, 1)
	if !now.Known || !figured || per <= 0 {
		return now.Number, now.Known
	}
	if full, bounded := d.TargetLevel(); !bounded || now.Number > full {
		return now.Number, true
	}
	return now.Number + (m.p.store(d).roomWh-m.storeAt(d, t).roomWh)/per, true
}

// hold puts a hold that makes room on the line.
func (m *rooms) hold(w *window, l *line, from time.Time, r *roomHold) *hold {
	h := m.make(w, l, from)
	h.room = r
	h.st.Want.Value = r.values[0].value
	m.settle(l)
	return h
}

func (m *rooms) make(w *window, l *line, from time.Time) *hold {
	id := m.id(w, l.ref)
	m.made[id] = true
	st := &actions.Statement{Point: l.ref, From: from.Sub(w.start), HasFrom: true, Text: "make_room of " + l.dev.Name}
	h := &hold{id: id, win: w, line: l, st: st, phase: actions.PhaseLeadIn, live: true, from: from, to: w.start,
		order: len(w.proc.LeadIn) + len(w.proc.During) + m.numbers[l.ref]}
	w.holds, l.holds = append(w.holds, h), append(l.holds, h)
	return h
}

func (m *rooms) id(w *window, ref actions.Ref) string {
	return w.ID + "-r" + strconv.Itoa(m.numbers[ref])
}

// over keeps the holds that had begun and count no more, so that what ends them can say what they were.
func (m *rooms) over() {
	if len(m.p.begun) == 0 {
		return
	}
	for _, w := range m.p.windows {
		if w.proc == nil {
			continue
		}
		for i := range m.p.premises.Devices {
			d := &m.p.premises.Devices[i]
			for k := range d.Points {
				ref := d.Points[k].Ref
				if m.numbers[ref] == 0 || m.made[m.id(w, ref)] {
					continue
				}
				if b, begun := m.begun(w, ref); begun {
					if l := m.p.line(ref); l != nil && l.link >= 0 {
						h := m.make(w, l, b)
						h.live = !w.start.After(m.p.now)
						h.st.Want.Value = l.st.Value
					}
				}
			}
		}
	}
}

// begun returns when the first command of the window's hold on the point was due, where there was one.
func (m *rooms) begun(w *window, ref actions.Ref) (due time.Time, ok bool) {
	b, ok := m.p.begun[claimed{m.id(w, ref), ref, w.Procedure}]
	return b.due, ok && (b.start.IsZero() || b.start.Equal(w.Start))
}

// before returns the hold as it was planned before.
func (m *rooms) before(w *window, ref actions.Ref) (c actions.Claim, ok bool) {
	if m.p.Current == nil {
		return c, false
	}
	old := m.p.Current.Window(w.ID)
	if old == nil || !old.Start.Equal(w.Start) {
		return c, false
	}
	i := slices.IndexFunc(old.Claims, func(c actions.Claim) bool { return c.ID == m.id(w, ref) && !c.Off })
	if i < 0 {
		return c, false
	}
	return old.Claims[i], true
}

// steady returns the beginning as it was planned before where that is near enough to at.
func (m *rooms) steady(w *window, ref actions.Ref, at, earliest time.Time) time.Time {
	c, ok := m.before(w, ref)
	if ok && c.From.Sub(at).Abs() <= steadyRoom && (!c.From.Before(earliest) || !earliest.After(m.p.now)) {
		return c.From
	}
	return at
}

// may reports whether the window may make room with the point: nothing of its own is on it beforehand, no hand, and no
// command of it failed.
func (m *rooms) may(w *window, l *line) bool {
	id := m.id(w, l.ref)
	st := &l.st
	if m.p.failed[claimed{id, l.ref, w.Procedure}] || m.numbers[l.ref] == 0 || l.pt.Protects {
		return false
	}
	if st.Hand.Known && (slices.Contains(st.HandHold, w.ID) || slices.Contains(st.HandHold, id)) {
		return false
	}
	return !slices.ContainsFunc(w.holds, func(h *hold) bool {
		return h.live && h.line == l && h.phase == actions.PhaseLeadIn && h.room == nil
	})
}

// earliest returns from when room may be made: not before now, nor while a window of the same or a higher rank has one of
// the points, or any other window draws with another point of the device. Holds of a lower rank give way.
func (m *rooms) earliest(t target, l *line) time.Time {
	at := m.p.now
	for _, o := range t.lines {
		for _, h := range o.holds {
			if !h.live || h.win == t.w || h.room != nil || !h.from.Before(t.w.start) {
				continue
			}
			if o == l && h.win.proc.Rank >= t.w.proc.Rank || o != l && (h.st.Want.Auto || h.drawW() != 0) {
				at = later(at, h.to)
			}
		}
	}
	return at
}

// latest returns when the command must go to be confirmed the margin before the window.
func (m *rooms) latest(w *window, l *line) time.Time {
	link := &m.p.links[l.link]
	return w.start.Add(-m.p.premises.Margin - max(link.Spacing, link.Confirm))
}

// idle returns the value with which the point draws nothing; unknown where it has none.
func (l *line) idle() actions.Value {
	if len(l.pt.Values) == 0 {
		if l.pt.HasRange && (l.pt.Min > 0 || l.pt.Max < 0) {
			return actions.Value{}
		}
		return actions.Number(0)
	}
	var v actions.Value
	for i := range l.pt.Values {
		name := actions.Named(l.pt.Values[i].Name)
		if w, _ := l.p.premises.DrawW(l.dev, l.pt, name); w == 0 && (!v.Known || name == l.normal) {
			v = name
		}
	}
	return v
}
