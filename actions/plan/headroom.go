package plan

import (
	"slices"
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
				at = actions.Later(at, h.to)
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
