package plan

import (
	"math"
	"slices"
	"strconv"
	"time"

	"spillway/actions"
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
			since = actions.Later(since, x.at)
		}
	}
	return since
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

// trimRooms ends giving back where the plan as it has come out would take a battery too low: what was tried was the same
// but for some seconds. It reports whether it changed anything.
func (p *planner) trimRooms() (changed bool) {
	for _, l := range p.order {
		i := slices.IndexFunc(l.holds, func(h *hold) bool {
			return h.room != nil && h.live && h.to.After(p.now) && l.dev.Kind == actions.Battery
		})
		if i < 0 {
			continue
		}
		store := p.store(l.dev)
		for _, d := range l.draws(nil) {
			low := d.from.Add(hoursOf(store.spareWh/math.Abs(d.w)) - l.slack())
			store.take(d)
			if d.w >= 0 || !low.Before(d.to) {
				continue
			}
			for _, h := range l.holds[i:] {
				if h.room != nil && h.live && !h.from.After(d.from) && h.to.After(d.from) {
					changed = h.room.rests(actions.Later(whole(low), actions.Later(d.from, p.now)), l.idle()) || changed
				}
			}
		}
	}
	return changed
}

// rests lets nothing be given back from an instant on, and reports whether that is news.
func (r *roomHold) rests(at time.Time, idle actions.Value) bool {
	if r.at(at) == idle {
		return false
	}
	r.values = slices.DeleteFunc(r.values, func(x autoValue) bool { return !x.at.Before(at) })
	r.values, r.rest = append(r.values, autoValue{at: at, value: idle}), roomLowest
	return true
}
