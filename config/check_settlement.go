package config

import (
	"slices"
	"strings"
	"time"

	"spillway/actions"
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
	said := slices.ContainsFunc(k.found, func(f Finding) bool { return f.Where == "meter" })
	if len(k.c.Meter.Files) == 0 && k.c.Meter.Point == nil && !said {
		k.add(Note, "meter", "write [meter] with files or a point, or give --meter FILE", "there is no meter data to settle with")
	}
}
