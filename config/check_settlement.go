package config

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"spillway/actions"
	"spillway/actions/statement"
)

// settlement says which terms are in force, defaults included, a line for each set of them.
func (k *checker) settlement(where string, q *actions.Procedure) {
	adjusted := false
	for i := range q.Terms {
		t := &q.Terms[i]
		from := ""
		if !t.Since.IsZero() {
			from = "from " + t.Since.Format(time.DateOnly) + " on, "
		}
		k.add(OK, where+".settlement", "", "%s%s", from, strings.Join(t.Words(), "; "))
		adjusted = adjusted || (t.Adjust == "add" || t.Adjust == "scale") && t.Fixed == "" && t.Figures == "" && t.SameDay == nil
	}
	if len(q.Terms) == 0 {
		return
	}
	if adjusted && len(q.LeadIn) > 0 {
		k.add(Note, where+".settlement", "see in the plan by how much, and ask the supplier",
			"the lead-in changes the use that the adjustment looks at, and so the credit; raising or lowering use beforehand in order to move "+
				"the baseline can breach the supplier's terms")
	}
}

// meter says where meter data comes from, where any procedure settles or a point is named.
func (k *checker) meter() {
	m := &k.c.Meter
	settles := slices.ContainsFunc(k.p.Procedures, func(q actions.Procedure) bool { return len(q.Terms) > 0 })
	switch {
	case m.Point != nil && !k.p.Device(m.Point.Device).Enabled:
		k.add(Amiss, "meter.point", "write enabled = true at devices."+m.Point.Device+", or take the point out", "%s is of a device that is not enabled, so nothing is recorded", m.Point)
	case m.Point != nil:
		every := cmp.Or(m.Interval, 30*time.Minute)
		k.add(OK, "meter.point", "", "run reads %s each minute and records %s in intervals of %s", m.Point, shows(k.p.Point(*m.Point)), statement.FormatDuration(every))
	case settles && len(m.Files) == 0:
		k.add(Note, "meter", "write [meter] with files or a point, or give --meter FILE", "there is no meter data to settle with")
	}
}

// shows says what a meter's point is taken for.
func shows(p *actions.Point) string {
	if strings.HasSuffix(p.Unit, "Wh") {
		return "its register"
	}
	return "its mean power"
}
