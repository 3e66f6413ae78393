package plan

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"spillway/actions"
	"spillway/actions/statement"
)

// step writes down the command as the plan shows it.
func (c *change) step(s *actions.Step) {
	*s = actions.Step{
		ID: c.id, Window: c.winID, Phase: c.phase, At: c.at,
		Link: c.line.p.links[c.line.link].Name, Point: c.line.ref,
		Value: c.value, From: c.from, Release: c.release, Hold: c.holdID, Due: c.due, After: c.after, Why: c.reason(),
		Until: c.until, Renews: c.renews,
	}
	if c.window != nil {
		s.Window, s.Start = c.window.ID, c.window.Start
	}
	if c.hold != nil {
		s.Hold, s.Procedure = c.hold.id, c.hold.win.Procedure
		if !c.ending && !c.renews {
			s.Wait = c.hold.st.Wait
		}
	}
	if c.under != nil {
		s.Hold, s.Procedure = c.under.id, c.under.win.Procedure // it is the lower hold that asks for this value
	}
}

// reason says in a line why the command is sent: the window, the statement and the rule. It is put together in one piece,
// since a plan has thousands.
func (c *change) reason() string {
	p := c.line.p
	p.text = p.text[:0]
	switch {
	case c.renews:
		p.write(c.hold.win.name(), ": renewal of ")
		p.quote(c.hold.st)
		p.write(", which ", c.line.dev.Name, " ends by itself after ", statement.FormatDuration(c.line.lasts()))
	case c.ending:
		c.endReason()
	default:
		c.beginReason()
	}
	return string(p.text)
}

func (p *planner) write(parts ...string) {
	for _, s := range parts {
		p.text = append(p.text, s...)
	}
}

// quote writes a statement in quotation marks.
func (p *planner) quote(s *actions.Statement) { p.write(openQuote, s.Text, closeQuote) }

func (c *change) endReason() {
	p := c.line.p
	if c.hold != nil {
		p.write(c.window.name(), ": ")
		p.quote(c.hold.st)
		p.write(" ", c.over())
	} else {
		p.write("a window that is gone let go of ", c.line.ref.Device, ".", c.line.ref.Point)
	}
	if c.under != nil {
		p.write("; ")
		p.quote(c.under.st)
		p.write(" of ", c.under.win.name(), " is on it again")
		return
	}
	if v, said := c.line.after(c.hold); said && v == c.value {
		p.write("; its procedure restores it to ", c.line.show(v))
		return
	}
	switch {
	case c.line.st.Hand.Known:
		p.write("; it goes back to what was set by hand")
	case !c.value.Known:
		p.write("; it goes back to its normal, which is read before it is first held")
	default:
		p.write("; it goes back to its normal")
	}
}

// over says why the hold is off its point.
func (c *change) over() string {
	h := c.hold
	switch {
	case !h.live:
		return "no longer holds"
	case h.st.For > 0 && h.to.Before(h.win.End) && (h.phase == actions.PhaseDuring || !h.to.Equal(h.win.start)):
		return "is over after " + statement.FormatDuration(h.st.For)
	case h.to.Equal(h.win.start) && h.phase == actions.PhaseLeadIn:
		return "ends where the window starts"
	}
	return "ends with the window"
}

func (c *change) beginReason() {
	h, p := c.hold, c.line.p
	p.write(h.win.name(), ": ")
	p.quote(h.st)
	switch {
	case h.room != nil:
		p.write(" in the lead-in: ", h.room.reason(c))
	case h.phase == actions.PhaseDuring && c.late():
		p.write(" during the window" + joinedLate)
	case h.phase == actions.PhaseDuring:
		p.write(" during the window")
	case h.st.HasFrom && h.st.From < 0:
		p.write(" in the lead-in, from ", statement.FormatDuration(-h.st.From), " before the window")
	case h.st.HasFrom:
		p.write(" in the lead-in")
	default:
		p.write(" in the lead-in, to be confirmed ", statement.FormatDuration(p.premises.Margin), " before the window")
	}
	if h.phase == actions.PhaseLeadIn && c.late() {
		p.write(sentLate)
	}
	if h.st.Want.Auto && h.phase == actions.PhaseDuring {
		c.shareReason()
	}
	switch {
	case c.was == nil || c.was == h || p.leftOut(c.was):
	case c.was.win == h.win || !c.was.to.After(c.due):
		p.write("; follows ")
		p.quote(c.was.st)
	default:
		p.write("; stronger than ")
		p.quote(c.was.st)
		p.write(" of ", c.was.win.name())
	}
}

// leftOut reports whether the command that was to begin h cannot be sent in time.
func (p *planner) leftOut(h *hold) bool {
	return slices.ContainsFunc(p.missed, func(c *change) bool { return !c.ending && c.hold == h })
}

// What the reason of a late command says.
const (
	joinedLate = ", joined late"
	sentLate   = ", sent late"
)

// late reports whether the command was due before anybody planned it. One that was planned in time and only waits for its
// turn on the link, or for this moment to pass, is not late.
func (c *change) late() bool {
	p := c.line.p
	if !c.due.Before(c.at) || !c.due.Before(p.now) {
		return false
	}
	inTime := func(s *actions.Step) bool {
		return s.ID == c.id && s.Start.Equal(c.window.Start) && !strings.Contains(s.Why, joinedLate) && !strings.Contains(s.Why, sentLate)
	}
	if p.Current != nil && slices.ContainsFunc(p.Current.Steps, func(s actions.Step) bool { return inTime(&s) }) {
		return false
	}
	st, known := p.Standing.Steps[c.id]
	return !known || !inTime(&st.Step)
}

// shareReason says what `auto` comes to, and why it changes.
func (c *change) shareReason() {
	p, l := c.line.p, c.line
	w, _ := p.premises.DrawW(l.dev, l.pt, c.value)
	switch {
	case w < 0:
		p.write(": it gives back ", kws(-w), " of what the premises draw")
		return
	case !c.hold.win.shares():
		p.write(": as little as it can take")
		return
	case c.was == c.hold:
		p.write(": its share of what the supply leaves goes from ", kws(p.drawOf(l, c.from)), " to ", kws(w))
	default:
		p.write(": its share of what the supply leaves is ", kws(w))
	}
	if slices.ContainsFunc(l.auto, func(a autoValue) bool { return a.full && a.at.Equal(c.due) }) {
		p.write(", since it is planned to be full")
	}
}

func (w *window) name() string {
	if w.Title == "" {
		return "window " + w.ID
	}
	return w.Title
}

const openQuote, closeQuote = "\u201c", "\u201d"

func quoted(s *actions.Statement) string { return openQuote + s.Text + closeQuote }

// show writes a value with its unit.
func (l *line) show(v actions.Value) string { return show(l.pt, v) }

func show(pt *actions.Point, v actions.Value) string {
	if v.IsNumber() && pt.Unit != "" {
		return v.String() + " " + pt.Unit
	}
	return v.String()
}

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return strconv.Itoa(n) + " " + what + "s"
}

// clock writes a time of day on the premises' clock.
func (p *planner) clock(t time.Time) string {
	if p.premises.Zone != nil {
		t = t.In(p.premises.Zone)
	}
	if t.Second() == 0 {
		return t.Format("15:04")
	}
	return t.Format("15:04:05")
}
