package actions

import "time"

// A Step is one command on a point, with its reason. Its ID stays the same when the plan is made again.
type Step struct {
	ID     string    `json:"id"`
	Window string    `json:"window"` // the window whose hold now wins or has just ended
	Phase  Phase     `json:"phase"`
	At     time.Time `json:"at"` // when the command is to be sent
	Link   string    `json:"link"`
	Point  Ref       `json:"point"`
	Value  Value     `json:"value"`      // unknown: the point's normal, not captured yet
	From   Value     `json:"from_value"` // what the point has before
	Why    string    `json:"why"`

	Release bool          `json:"release,omitempty"` // gives the point back: once confirmed, nothing is owed
	Wait    time.Duration `json:"wait,omitempty"`    // after it is confirmed, before the next on its link
	Hold    string        `json:"hold,omitempty"`    // id of the hold that asked for it or ended
	// Procedure is that of the hold's window when the step was planned: under another the window makes the same ids for
	// other holds. "" where that is not known.
	Procedure string    `json:"procedure,omitempty"`
	After     []string  `json:"after,omitempty"` // ids of steps that make room for it: not before they are confirmed
	Due       time.Time `json:"due,omitzero"`    // when it should have gone, were it not for other commands or a late start
	Start     time.Time `json:"start,omitzero"`  // of its window when it was planned: a window that has moved since begins anew

	// Of a point that ends its values by itself (Address.Lasts): when the box may end this one at the latest, a little after
	// its hold; zero: it is not given an end.
	Until  time.Time `json:"until,omitzero"`
	Renews bool      `json:"renews,omitempty"` // the point has the value already: it is only to last longer
}

// A Slice is what one device draws on one phase from From to To. Device "" is the rest of the premises; discharge is
// negative.
type Slice struct {
	From   time.Time `json:"from"`
	To     time.Time `json:"to"`
	Device string    `json:"device"`
	Phase  int       `json:"phase"` // 1 to 3
	KW     float64   `json:"kw"`
}

// Energy is what a device takes in a window.
type Energy struct {
	Device string  `json:"device"`
	KWh    float64 `json:"kwh"`
}

// Room is what is done before a window so that a device can take more in it.
type Room struct {
	Device  string
	BackKWh float64 // given back to the premises from now on
	MoreKWh float64 // taken in the window over what it could take without, as expected
}

// A Claim is one hold of a window: a claim on a point from From, inclusive, to To, exclusive.
type Claim struct {
	ID       string
	Point    Ref
	Phase    Phase
	From, To time.Time
	Value    Value // now, or when it begins; unknown: the point's normal, not known yet
	Off      bool  // guarded off, given up, or taken over by a hand
}

// A PlannedWindow is a window with what the plan says of it.
type PlannedWindow struct {
	Window
	State    WindowState
	Problems []string  // what cannot be met or should be known, each one line
	Energy   []Energy  // by device name
	Room     []Room    // made beforehand, where devices have make_room
	PeakKW   float64   // on the phase that carries most
	LimitKW  float64   // per phase
	LeadIn   time.Time // due time of the first lead-in step; Start where there is none
	Done     time.Time // when the last restore step is planned; End where there is none
	Claims   []Claim   // its holds, in statement order, also those that need no command
}

// A Plan is every step of every window in the horizon that is still to be sent, with the power profile and the energy
// sums. It is what the planner returns and never changed afterwards.
type Plan struct {
	At      time.Time
	Windows []PlannedWindow // by start, then id
	Steps   []Step          // by At, then link order
	Profile []Slice         // by From, then device, then phase
}

// Window returns the planned window with this id, or nil.
func (p *Plan) Window(id string) *PlannedWindow {
	for i := range p.Windows {
		if p.Windows[i].ID == id {
			return &p.Windows[i]
		}
	}
	return nil
}
