package actions

import "time"

// A Reading is the newest thing known of a point.
type Reading struct {
	Value  Value
	At     time.Time
	Failed bool // the point was asked and did not answer; Value is the last one known, if any
}

// Readings are the newest readings by point.
type Readings map[Ref]Reading

// Standing is what is true now: what is held and owed, the normals, hands, and the last send on each link. The journal
// keeps it; it changes only by [Standing.Apply].
type Standing struct {
	Points map[Ref]PointStanding
	Links  map[string]LinkStanding
	Steps  map[string]StepStanding // by step id: those of windows that are not over, and every unsettled one
	Down   map[string]time.Time    // windows stood down, by id, and until when that is remembered
}

// PointStanding is what is true of one point that we have written, or are about to.
type PointStanding struct {
	Normal   Value     `json:"normal"`              // captured before the first hold, configured, or left by a hand
	Owed     bool      `json:"owed"`                // a command may have reached the device and the normal is not back yet
	Value    Value     `json:"value"`               // what was last asked of the device
	Certain  bool      `json:"certain"`             // Value was read back, or assumed where nothing can be read
	Resent   bool      `json:"resent,omitempty"`    // Step was sent once more after a reset of the device
	Ended    bool      `json:"ended,omitempty"`     // Value ended by itself, not renewed in time, and is to be sent once more: no reset
	Step     string    `json:"step,omitempty"`      // the step that asked it
	Window   string    `json:"window,omitempty"`    // and its window
	Since    time.Time `json:"since"`               // when it was asked first
	Hand     Value     `json:"hand"`                // what a person set while we held it; unknown: nobody did
	HandHold []string  `json:"hand_hold,omitempty"` // windows, or holds, that are off the point for it
	Link     string    `json:"link,omitempty"`      // the address is kept by link until nothing is owed

	Sent    time.Time `json:"sent,omitzero"`     // end of the last send of Value; zero: it has not left yet
	Touched bool      `json:"touched,omitempty"` // since the point was last at its normal a command may have reached the device
	// Stray is a value whose command may still arrive, or has without showing, until StrayUntil: a command that was not
	// confirmed before another followed it.
	Stray      Value     `json:"stray,omitzero"`
	StrayUntil time.Time `json:"stray_until,omitzero"`

	Until time.Time `json:"until,omitzero"` // when the box ends Value by itself; zero: never, or nobody knows
}

// LinkStanding is what is true of one link.
type LinkStanding struct {
	LastSend time.Time `json:"last_send"` // end of the last send; spacing counts from here
}

// A StepState says how far a step has come.
type StepState string

// The states of a step.
const (
	Planned   StepState = "planned"
	Sent      StepState = "sent"
	Confirmed StepState = "confirmed" // read back
	Assumed   StepState = "assumed"   // cannot be read back
	Skipped   StepState = "skipped"
	Failed    StepState = "failed"
)

// Over reports whether nothing more will happen to a step in this state.
func (s StepState) Over() bool {
	return s == Confirmed || s == Assumed || s == Skipped || s == Failed
}

// StepStanding is one line of the switching log.
type StepStanding struct {
	Step     Step      `json:"step"`
	State    StepState `json:"state"`
	Tries    int       `json:"tries"`
	Sent     time.Time `json:"sent"`    // end of the last send; zero: never
	Settled  time.Time `json:"settled"` // zero: not yet
	ReadBack Value     `json:"read_back"`
	Note     string    `json:"note,omitempty"`
}
