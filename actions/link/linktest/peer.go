package linktest

import (
	"time"

	"spillway/actions"
)

// A Manner is how a far end behaves from now on.
type Manner string

// The manners.
const (
	Accept  Manner = "accepts"         // does what it is told and says so
	Refuse  Manner = "refuses"         // says no to commands, and does nothing
	Silent  Manner = "times out"       // takes everything and never answers
	Lossy   Manner = "loses a command" // says yes to commands, and does nothing
	Late    Manner = "answers late"    // after Peer.Delay
	Rubbish Manner = "gives rubbish"   // where a value is asked for or told
	Endless Manner = "never ends"      // far more bytes than any value needs, where a value is asked for or told
)

// A Peer is the far end of a link under test: a box with two points, which misbehaves on demand. Its methods are safe for
// concurrent use.
type Peer interface {
	// Spec is the link to open. Run sets its Timeout.
	Spec() actions.Link
	// Points returns two points that can be read and written: a number in 0 to 5000, and one with the names "off" and
	// "on". The box begins at 0 and off.
	Points() (number, named *actions.Point)
	// Behave changes the manner; delay is that of Late.
	Behave(m Manner, delay time.Duration)
	// Put changes the box from its own side, as a hand would, and lets it tell where that is its way.
	Put(p *actions.Point, v actions.Value)
	// Has returns what the box has.
	Has(p *actions.Point) actions.Value
	// Commands counts the commands that reached the box, whatever became of them.
	Commands() int
	// Cut ends the conversation and admits no other. Mend admits them again.
	Cut()
	Mend()
	// Close ends the far end and every goroutine behind it.
	Close()
}

// Traits says how a kind differs where kinds may.
type Traits struct {
	// Hears is set for a link whose box tells by itself: Read asks nobody and returns the newest it has heard.
	Hears bool
	// Kills is set where a command whose time is over is ended, and does not arrive late.
	Kills bool
	// Unnumbered is set where an answer does not say to which question it is: one that comes no later than half the time of
	// an exchange after its end is not taken for that to the next.
	Unnumbered bool
	// Cannot gives the reason for each manner that this far end cannot have.
	Cannot map[Manner]string
	// Patience is how long finding a lost conversation again may take; 10 s where it is not given.
	Patience time.Duration
}
