package plan

import (
	"time"

	"spillway/actions"
)

// guardedOff returns why h's guard keeps it off; "" where it is on. Before the hold begins the guard is forecast from the
// newest reading and is on where there is none; from then on a guard that cannot be read is off, and one that could once
// be read stays as it last was.
func (p *planner) guardedOff(h *hold) string {
	g := h.st.Guard
	if g == nil {
		return ""
	}
	pt := p.premises.Point(g.Point)
	if pt == nil {
		return "there is no point " + g.Point.String()
	}
	begun := !p.now.Before(p.start(h))
	r := p.Readings[g.Point]
	v := r.Value
	if !begun {
		if set, ok := h.setBefore(g.Point); ok {
			v = set
		}
	}
	switch {
	case !v.Known && (!begun || p.holds(h)):
		return ""
	case !v.Known, begun && r.Failed && !p.decided(h, r):
		return g.Point.String() + " cannot be read"
	case !g.Holds(v, pt.Tolerance):
		return g.Point.String() + " is " + show(pt, v)
	}
	return ""
}

// decided reports whether the guard was read after the hold began, so that its last known value counts.
func (p *planner) decided(h *hold, r actions.Reading) bool {
	_, sent := p.hasBegun(h)
	return sent || !r.At.Before(p.start(h))
}

// holds reports whether the point has what h asked for: then the guard was true when it was read last, be it before a
// restart.
func (p *planner) holds(h *hold) bool {
	return h.line.st.Owed && p.holdOf(h.line.st.Step) == h.id
}

// start returns when the hold's guard is decided.
func (p *planner) start(h *hold) time.Time {
	if due, ok := p.hasBegun(h); ok {
		return actions.Earlier(h.from, due)
	}
	return h.from
}

// setBefore returns what an earlier statement of the same window sets the point to, where one does: a guard on it is
// forecast from that.
func (h *hold) setBefore(ref actions.Ref) (v actions.Value, ok bool) {
	l := h.line.p.lines[ref]
	if l == nil {
		return v, false
	}
	list := h.win.holds
	if len(l.holds) < len(list) {
		list = l.holds // by window, and within one in statement order
	}
	for _, o := range list {
		if o.win == h.win && o.order < h.order && o.live && o.line.ref == ref && o.st.Want.Value.Known && !o.from.After(h.from) && o.to.After(h.from) {
			v, ok = o.st.Want.Value, true
		}
	}
	return v, ok
}
