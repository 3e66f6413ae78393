package tell

import (
	"slices"
	"time"
)

// A Kind sorts faults, so that a receiver can be told of some and not of others.
type Kind string

// The kinds of fault, the gravest first.
const (
	KindClock   Kind = "clock"   // it shows a time before the journal's newest entry, so nothing is sent
	KindJournal Kind = "journal" // it cannot be written, so nothing is sent
	KindRestore Kind = "restore" // a point is not back at its normal
	KindPoint   Kind = "point"   // it cannot be read, or its normal is not known
	KindLink    Kind = "link"    // it cannot be reached
	KindFeed    Kind = "feed"    // it is stale, or cannot be used
	KindPlan    Kind = "plan"    // something in a window cannot be met
	KindHygiene Kind = "hygiene" // a tank's temperature is overdue
	KindCredit  Kind = "credit"  // it should have come
	KindOther   Kind = "other"
)

// Kinds returns the kinds that can be chosen, the gravest first.
func Kinds() []Kind {
	return []Kind{KindClock, KindJournal, KindRestore, KindPoint, KindLink, KindFeed, KindPlan, KindHygiene, KindCredit}
}

// A Fault is something that is wrong now.
type Fault struct {
	Key   string    `json:"key"` // what it is about; one fault per key, the same after a restart
	Kind  Kind      `json:"kind"`
	Where string    `json:"where"` // point, link, feed, device, window, journal or clock
	What  string    `json:"what"`  // one line: what is wrong, and what will be or must be done
	Since time.Time `json:"since"`
	// Due is when it is worth telling, where that is known better than by how long it has lasted; zero: it is not. Before
	// that it is no fault yet, and may be reported all the same.
	Due time.Time `json:"due,omitzero"`
	// Ends is when it no longer matters, whether or not it was put right, and so needs no all-clear; zero: never.
	Ends time.Time `json:"ends,omitzero"`
}

// A Window is one that is planned.
type Window struct {
	ID       string    `json:"id"`
	Title    string    `json:"title"`
	Start    time.Time `json:"start"`
	End      time.Time `json:"end"`
	LeadIn   time.Time `json:"lead_in"` // Start where there is none
	Problems []string  `json:"problems,omitempty"`
}

// A Report is how things stand: everything that is wrong, and every window that is taken and not over.
type Report struct {
	Faults  []Fault
	Windows []Window
	Unknown []Kind // of these nobody has looked yet: what was told of them stands
	// Behind are keys of faults that another one explains, such as the points of a box that is out of reach: they are not
	// told, and where one was told before, that stands. One that is no longer explained lasts from then on.
	Behind []string
}

// Rules say what one receiver is told.
type Rules struct {
	Kinds   []Kind        // empty: every kind
	After   time.Duration // how long a fault lasts, or a window is known, before it is told
	Windows bool          // whether windows are told
}

func (r Rules) wants(k Kind) bool {
	return len(r.Kinds) == 0 || slices.Contains(r.Kinds, k)
}
