package plan

import (
	"strconv"
	"time"

	"spillway/actions"
	"spillway/actions/statement"
)

// step returns the command as the plan shows it.
func (c *change) step() actions.Step {
	s := actions.Step{
		ID: c.id, Window: c.winID, Phase: c.phase, At: c.at,
		Link: c.line.p.links[c.line.link].Name, Point: c.line.ref,
		Value: c.value, From: c.from, Release: c.release, Hold: c.holdID, Due: c.due, After: c.after, Why: c.reason(),
	}
	if c.window != nil {
		s.Window, s.Start = c.window.ID, c.window.Start
	}
	if c.hold != nil {
		s.Hold = c.hold.id
		if !c.ending {
			s.Wait = c.hold.st.Wait
		}
	}
	if c.under != nil {
		s.Hold = c.under.id // it is the lower hold that asks for this value
	}
	return s
}

// reason says in a line why the command is sent: the window, the statement and the rule.
func (c *change) reason() string {
	if !c.ending {
		return c.beginReason()
	}
	head := "a window that is called off let go of " + c.line.ref.String()
	if c.hold != nil {
		head = c.window.name() + ": " + quoted(c.hold.st) + " " + c.over()
	}
	if c.under != nil {
		return head + "; " + quoted(c.under.st) + " of " + c.under.win.name() + " is on it again"
	}
	if v, said := c.line.after(c.hold); said && v == c.value {
		return head + "; its procedure restores it to " + c.line.show(v)
	}
	switch {
	case c.line.st.Hand.Known:
		return head + "; it goes back to what was set by hand"
	case !c.value.Known:
		return head + "; it goes back to its normal, which is read before it is first held"
	}
	return head + "; it goes back to its normal"
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

func (c *change) beginReason() string {
	h := c.hold
	head := h.win.name() + ": " + quoted(h.st)
	switch {
	case h.phase == actions.PhaseDuring && c.due.Before(c.at) && c.due.Before(c.line.p.now):
		head += " during the window, joined late"
	case h.phase == actions.PhaseDuring:
		head += " during the window"
	case h.st.HasFrom && h.st.From < 0:
		head += " in the lead-in, from " + statement.FormatDuration(-h.st.From) + " before the window"
	case h.st.HasFrom:
		head += " in the lead-in"
	default:
		head += " in the lead-in, to be confirmed " + statement.FormatDuration(c.line.p.premises.Margin) + " before the window"
	}
	if h.phase == actions.PhaseLeadIn && c.due.Before(c.line.p.now) && c.due.Before(c.at) {
		head += ", sent late"
	}
	switch {
	case c.was == nil:
	case c.was.win == h.win || !c.was.to.After(c.due):
		head += "; follows " + quoted(c.was.st)
	default:
		head += "; stronger than " + quoted(c.was.st) + " of " + c.was.win.name()
	}
	return head
}

func (w *window) name() string {
	if w.Title == "" {
		return "window " + w.ID
	}
	return w.Title
}

func quoted(s *actions.Statement) string { return "\u201c" + s.Text + "\u201d" }

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
