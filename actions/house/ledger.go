package house

import (
	"fmt"
	"slices"
	"time"

	"spillway/actions"
)

// A Source says what moved a setting, or tried to.
type Source string

// The sources of a change.
const (
	Command Source = "command" // over the link
	Repeat  Source = "repeat"  // a command that arrived twice: the second time
	Hand    Source = "hand"    // a person, at the device
	Itself  Source = "itself"  // the device: a boost that ended
	Reset   Source = "reset"   // the box started anew
)

// An Outcome says what became of a command.
type Outcome string

// The outcomes.
const (
	Accepted Outcome = "accepted"
	Lost     Outcome = "lost"    // the device never saw it; nobody was told
	Refused  Outcome = "refused" // the box said no, or the gateway could make nothing of it
)

// An Entry is one line of a ledger: what reached a device, or was on its way there.
type Entry struct {
	At      time.Time // when it arrived
	Effect  time.Time // when the setting moved; zero where it did not
	Link    string
	Point   actions.Ref // zero for a command to no point of ours
	Asked   string      // as it stood in the command
	Before  actions.Value
	After   actions.Value // unknown where nothing moved
	Source  Source
	Outcome Outcome
	Why     string // why it was lost or refused
}

// String returns the entry in one line, without the date.
func (e Entry) String() string {
	s := fmt.Sprintf("%s %s %s %s: %s %s", e.At.UTC().Format("15:04:05.000"), e.Link, e.Source, e.Outcome, e.Point, e.Asked)
	if e.Why != "" {
		s += " (" + e.Why + ")"
	}
	return s
}

// A Ledger is everything that reached the devices, by arrival.
type Ledger []Entry

// Of returns the entries of a link ("" for all) and a source.
func (l Ledger) Of(link string, source Source) Ledger {
	return slices.DeleteFunc(slices.Clone(l), func(e Entry) bool {
		return link != "" && e.Link != link || e.Source != source
	})
}

// Closest returns the least time between two commands on a link, whatever became of them; false with fewer than two.
func (l Ledger) Closest(link string) (time.Duration, bool) {
	commands := l.Of(link, Command)
	if len(commands) < 2 {
		return 0, false
	}
	least := forever
	for i := range commands[1:] {
		least = min(least, commands[i+1].At.Sub(commands[i].At))
	}
	return least, true
}

// A Span is a stretch of time: From inclusive, To exclusive.
type Span struct{ From, To time.Time }

// Outside returns the commands that arrived in none of spans.
func (l Ledger) Outside(spans ...Span) Ledger {
	return slices.DeleteFunc(l.Of("", Command), func(e Entry) bool {
		return slices.ContainsFunc(spans, func(s Span) bool { return !e.At.Before(s.From) && e.At.Before(s.To) })
	})
}

// LedgerFrom returns what came after the first n lines of the ledger, in place of a copy of it all. The lines are not to
// be changed; a late command's is completed when it takes effect.
func (s *Site) LedgerFrom(n int) Ledger { return s.ledger[min(n, len(s.ledger)):] }

// Level returns how full a device is, as in [Snapshot]; 0 where there is none of that name.
func (s *Site) Level(device string) float64 {
	if level := s.levels[device]; level != nil {
		return level()
	}
	return s.Snapshot().Level[device]
}

// Setting returns one setting as it is at the device now; unknown where there is no such setting.
func (s *Site) Setting(ref actions.Ref) actions.Value {
	if c := s.cell(ref); c != nil && c.set != nil {
		return c.get()
	}
	return actions.Value{}
}
