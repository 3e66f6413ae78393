package run

import (
	"time"

	"spillway/actions"
)

// An Event is something that happened outside the machine: one of the types below.
type Event any

// ReadDone is the answer to a [Read].
type ReadDone struct {
	Ref     actions.Ref
	ID      uint64 // the Read's
	Value   actions.Value
	Err     error
	Session uint64 // the link's, when it answered
	At      time.Time
}

// WriteDone is the outcome of a [Write], at the end of the send.
type WriteDone struct {
	Link string
	Step string
	Try  int
	Err  error
	Tick // when the send ended
}

// Polled is one poll of a feed, matched to windows.
type Polled struct {
	Feed      string
	Good      bool             // complete and usable; a poll that is not changes nothing
	Saved     bool             // the last good copy from before this start: a base, but no confirmation of anything
	Windows   []actions.Window // every window in the horizon and of the last day
	Cancelled []string         // ids of windows that the feed says are cancelled
	Events    int              // occurrences seen, matched or not
	Trouble   string           // what is wrong with the feed, one line; "" for nothing
}

// GiveBack asks that held points be put back now and their windows stood down.
type GiveBack struct {
	Device string // "" for all
	Window string // "" for every window that holds something
}

// StandDown asks that a window that is still ahead is not taken up.
type StandDown struct {
	Window string
}

// TakeUp asks that a window that was stood down, wholly or for single devices, is taken up again; if it is on, it is joined.
type TakeUp struct {
	Window string // "" for every one
}

// An Effect is something the machine wants done: one of the types below.
type Effect any

// Read asks for a point's value; a [ReadDone] with its ID must follow.
type Read struct {
	ID      uint64
	Link    string
	Point   *actions.Point
	Timeout time.Duration
	Patient bool // no step waits for it: it takes its turn behind the link's other readings
}

// Write asks for one send; a [WriteDone] must follow. The intent is durable before the machine asks.
type Write struct {
	Link    string
	Step    string
	Try     int // of the step, counted over all starts
	Point   *actions.Point
	Value   actions.Value
	Until   time.Time // when the box is to end it by itself; zero: it is given no end
	Timeout time.Duration
}

// Changed says that what people see has changed.
type Changed struct{}

// Told is one line for the log, at the level it deserves.
type Told struct {
	Level string // info | note | warn
	What  string
	Where string // step, link or feed
}

// Sampled is what the points of the devices in windows read as, to be kept.
type Sampled struct{ Samples []Sample }

// A Sample is what a point read as at an instant.
type Sample struct {
	At    time.Time
	Ref   actions.Ref
	Value actions.Value
}
