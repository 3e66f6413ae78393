package actions

import (
	"fmt"
	"regexp"
	"time"
)

// A Direction says what a procedure's windows pay for.
type Direction string

// The directions: using more, using less, or neither.
const (
	TurnUp   Direction = "turn-up"
	TurnDown Direction = "turn-down"
	Neither  Direction = ""
)

// A Procedure is what is done for a kind of window.
type Procedure struct {
	Name      string
	Match     Match
	Direction Direction
	Rank      int // higher wins a point

	LeadIn  []Statement
	During  []Statement
	Restore []Statement // replace the normal of the points they name; empty: every point goes to its normal

	Stagger time.Duration // spread of the start
	Longest time.Duration // longer windows are refused
	Expect  string        // "off", or how the gain is foretold
	Terms   []Terms       // of settlement, by Since; empty: the procedure does not settle
}

// A Match says which events a procedure takes: those with the title or the category, from Feed where it is given.
type Match struct {
	Title    string         // as configured
	Pattern  *regexp.Regexp // case-blind substring or regexp made of Title; nil where there is none
	Category string         // case-blind, whole
	Feed     string
}

// Terms are one set of settlement terms (DESIGN: Meter and settlement). Rate is kept as text so that no float touches
// money; Currency is its ISO 4217 code. The baseline is that of like days, unless Fixed, Figures or SameDay say otherwise.
type Terms struct {
	Since       time.Time // local midnight; zero: always
	Days        int
	DaysOff     int
	Keep        int
	Pick        string // all | highest | middle | lowest
	Like        string // workday | weekday | every
	Holidays    string // feed name
	LeaveOut    string // feed of outages and the like: a day with an event in it is never a like day
	LookBack    time.Duration
	Fewest      int
	Adjust      string // none | add | scale
	AdjustFrom  time.Duration
	AdjustTo    time.Duration
	AdjustCap   float64 // below zero: none
	AdjustOnly  string  // "up": the adjustment never lowers a baseline; "": both ways
	Floor       string  // interval | window | none
	Rate        string  // decimal, per kWh
	Rates       []TimedRate
	Currency    string
	CreditAfter time.Duration

	Fixed   string   // decimal kWh per interval, in place of like days
	Figures string   // file of the supplier's own baseline, laid out like meter data
	SameDay *SameDay // the same day's use around the window
}

// A TimedRate takes the place of Terms.Rate for intervals that begin at a local clock time in [From, To). Where To is not
// after From, it goes on past midnight.
type TimedRate struct {
	From, To time.Duration // since midnight, as clocks show it
	Rate     string        // decimal, per kWh
}

// SameDay says which use of the window's own day is its baseline: the mean power from BeforeFrom to BeforeTo before the
// start and from AfterFrom to AfterTo after the end, all elapsed time; a stretch of no length counts for nothing.
type SameDay struct {
	BeforeFrom, BeforeTo time.Duration // such as 4h and 1h
	AfterFrom, AfterTo   time.Duration // such as 1h and 3h
}

// A Phase is a part of a plan.
type Phase string

// The phases, in their order.
const (
	PhaseLeadIn  Phase = "lead-in"
	PhaseDuring  Phase = "during"
	PhaseRestore Phase = "restore"
)

// A Statement asks that a point have a value.
type Statement struct {
	Point Ref
	Want  Want
	// From is the offset from the window's start (negative: before it); HasFrom tells whether it was given.
	From    time.Duration
	HasFrom bool
	For     time.Duration // 0: to the window's end
	Wait    time.Duration // after this command is confirmed, before the next on its link
	Guard   *Guard        // nil: always
	Text    string        // as written, for reasons and messages
}

// A Want is the right-hand side of a statement.
type Want struct {
	Auto   bool // the planner chooses
	Normal bool // hold the point at its normal
	Value  Value
}

// String returns the value, "auto" or "normal".
func (w Want) String() string {
	switch {
	case w.Auto:
		return "auto"
	case w.Normal:
		return "normal"
	}
	return w.Value.String()
}

// A Guard makes a statement depend on a reading.
type Guard struct {
	Point Ref
	Op    string // = != < <= > >=
	Value Value
}

// String returns the guard as written in a statement.
func (g Guard) String() string { return fmt.Sprintf("%s %s %s", g.Point, g.Op, g.Value) }

// Holds reports whether reading v satisfies the guard. The reading must be known.
func (g Guard) Holds(v Value, t Tolerance) bool {
	switch g.Op {
	case "=":
		return v.Near(g.Value, t)
	case "!=":
		return !v.Near(g.Value, t)
	}
	if !v.IsNumber() || !g.Value.IsNumber() {
		return false
	}
	switch g.Op {
	case "<":
		return v.Number < g.Value.Number
	case "<=":
		return v.Number <= g.Value.Number
	case ">":
		return v.Number > g.Value.Number
	case ">=":
		return v.Number >= g.Value.Number
	}
	return false
}
