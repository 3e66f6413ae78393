package publish

import (
	"slices"
	"strings"
	"time"

	"spillway/actions"
	"spillway/calendar"
)

// CategoryCredit marks entries of credits, each on the day it is due.
const CategoryCredit = "credit"

// A CreditState says where a credit stands.
type CreditState string

// The states of a credit: it is not due yet, it came in full, less came, or it is due and did not come.
const (
	CreditDue     CreditState = "due"
	CreditSettled CreditState = "settled"
	CreditShort   CreditState = "short"
	CreditMissing CreditState = "missing"
)

// A Credit is what should come for a window that is over.
type Credit struct {
	Window   string // id
	Title    string // of the window
	Start    time.Time
	End      time.Time
	Due      time.Time
	Amount   string // expected, "3.10"
	Currency string
	Came     string // "" where nothing did
	State    CreditState
	Text     string // how it was worked out, in lines
}

// credit adds a credit at the top of the day it is due.
func (b *builder) credit(c Credit) {
	e := b.allDay(c.Due, c.Due)
	e.UID = actions.PlanUID(c.Window, CategoryCredit)
	e.Categories = []string{CategoryCredit}
	e.Color = map[CreditState]string{CreditDue: "goldenrod", CreditSettled: "seagreen"}[c.State]
	if e.Color == "" {
		e.Color = "crimson"
	}
	day := c.Start.In(b.zone).Format("Mon 2 January")
	switch c.State {
	case CreditSettled:
		e.Summary = "Credit settled: " + c.Came + " came for " + day
	case CreditShort:
		e.Summary = "Credit short: " + c.Came + " of " + c.Amount + " came for " + day
	case CreditMissing:
		e.Summary = "Credit missing: " + c.Amount + " for " + day
	default:
		e.Summary = "Credit due: " + c.Amount + " expected for " + day
	}
	w := window{PlannedWindow: actions.PlannedWindow{Window: actions.Window{ID: c.Window, Title: c.Title, Start: c.Start, End: c.End}}}
	e.Description = joinLines("For "+name(w)+", "+b.span(w),
		strings.TrimSpace(c.Amount+" "+c.Currency)+" expected by "+dayAndClock(c.Due.In(b.zone))+".", c.Text)
	b.add(e)
}

// keepCredits returns the entries of credits as they were published.
func keepCredits(prev []Stamped) []calendar.Entry {
	var out []calendar.Entry
	for _, p := range prev {
		if p.Gone.IsZero() && slices.Contains(p.Entry.Categories, CategoryCredit) {
			out = append(out, p.Entry)
		}
	}
	return out
}
