package house

import (
	"fmt"
	"math/rand/v2"
	"time"

	"spillway/actions"
)

// A FaultKind is a way in which boxes and people get in the way.
type FaultKind string

// The kinds of fault. A fault over a stretch of time begins at At and lasts For.
const (
	// Lose swallows Count commands, or all for a while. An HTTP box says yes and does nothing.
	Lose FaultKind = "lost command"
	// Late lets a command take effect By later.
	Late FaultKind = "late command"
	// Twice delivers a command again By later.
	Twice FaultKind = "command twice"
	// Slow makes an HTTP box answer, or a gateway tell of a change, By later.
	Slow FaultKind = "slow answer"
	// Offline switches the box off: it hears nothing and tells nothing; its settings stay.
	Offline FaultKind = "offline"
	// Reboot switches the box off for For, after which it starts with settings of its own.
	Reboot FaultKind = "reboot"
	// Lie makes the read-back of Point stay as it is, whatever becomes of the setting.
	Lie FaultKind = "lying read-back"
	// ByHand is a person who sets Point to Value at the device. Which value makes sense is theirs to know.
	ByHand FaultKind = "hand"
	// Plug has the van leave or come home: Value "no" or "yes".
	Plug FaultKind = "van plugged"
)

// A Fault is one thing that goes wrong.
type Fault struct {
	Kind  FaultKind
	Link  string      // which box; "" where Point says it
	Point actions.Ref // zero: every point of the box
	Value actions.Value
	At    time.Time     // from when; a past time or zero is now
	For   time.Duration // how long; 0: no end for a kind that counts
	By    time.Duration
	Count int // how many commands; 0: with For all of them, without For one
}

// String returns the fault in one line, without the date.
func (f Fault) String() string {
	s := fmt.Sprintf("%s %s on %s", f.At.UTC().Format("15:04:05"), f.Kind, f.Link)
	if f.Point != (actions.Ref{}) {
		s += " " + f.Point.String()
	}
	if f.Value.Known {
		s += " = " + f.Value.String()
	}
	if f.For > 0 {
		s += fmt.Sprintf(" for %s", f.For)
	}
	if f.By > 0 {
		s += fmt.Sprintf(" by %s", f.By)
	}
	return s
}

// Inject has f happen. It returns an error where f names no box or point, or a value that the point cannot have.
func (s *Site) Inject(f Fault) error {
	c := s.cell(f.Point)
	if f.Point != (actions.Ref{}) && c == nil {
		return fmt.Errorf("inject %s: no point %s", f.Kind, f.Point)
	}
	switch {
	case c != nil:
		f.Link = c.link
	case f.Kind == Plug:
		f.Link = LinkYard
	}
	if !s.hasLink(f.Link) {
		return fmt.Errorf("inject %s: no box %q", f.Kind, f.Link)
	}
	if f.At.Before(s.now) {
		f.At = s.now
	}
	if f.For == 0 && f.Count == 0 {
		f.Count = 1
	}
	switch f.Kind {
	case Lose, Late, Twice, Slow:
		s.faults = append(s.faults, &f)
	case Offline, Lie, Reboot:
		if f.For <= 0 {
			return fmt.Errorf("inject %s: for how long?", f.Kind)
		}
		return s.injectSpell(f, c)
	case ByHand, Plug:
		return s.injectAtPoint(f, c)
	default:
		return fmt.Errorf("inject: no kind of fault %q", f.Kind)
	}
	return nil
}

func (s *Site) injectSpell(f Fault, c *cell) error {
	switch {
	case f.Kind == Offline:
		s.goOff(f, func() {})
	case f.Kind == Reboot:
		s.goOff(f, func() { s.wake(f.Link) })
	case c == nil:
		return fmt.Errorf("inject %s: which point?", f.Kind)
	default:
		s.soonOrNow(f.At, func() { c.lie = c.shown() })
		s.later(f.At.Add(f.For), func() { c.lie = actions.Value{}; s.tell(c) })
	}
	return nil
}

func (s *Site) injectAtPoint(f Fault, c *cell) error {
	if f.Kind == Plug {
		s.soonOrNow(f.At, func() { s.van.Plugged = f.Value.Name == "yes" })
		return nil
	}
	if c == nil || c.set == nil {
		return fmt.Errorf("inject %s: %s cannot be set", f.Kind, f.Point)
	}
	// A hand is kept to the dial's range, but not to what a box asks of others first.
	dial := cell{names: c.names, lowest: c.lowest, most: c.most}
	if _, no := dial.parse(f.Value.String()); no != nil {
		return fmt.Errorf("inject %s: %s", f.Kind, no.why)
	}
	s.soonOrNow(f.At, func() { s.move(c, f.Value, Hand); c.hand = f.Value })
	return nil
}

// goOff switches a box off for f.For and tells everything anew when it is back.
func (s *Site) goOff(f Fault, wake func()) {
	f.Kind, f.Count = Offline, 0
	s.faults = append(s.faults, &f)
	s.later(f.At.Add(f.For), func() { wake(); s.announce(f.Link) })
}

// wake is a box that starts: its settings are not what they were, and the broker behind the gateways starts with them.
func (s *Site) wake(link string) {
	for _, c := range s.cells {
		if c.link == link && c.set != nil {
			s.move(c, c.wakes, Reset)
		}
	}
	if s.gateways[link] != nil {
		s.outbox = append(s.outbox, Message{})
	}
}

func (s *Site) soonOrNow(at time.Time, do func()) {
	s.later(at, do)
	s.runJobs()
	s.flow()
}

func (s *Site) hasLink(link string) bool {
	for _, c := range s.cells {
		if c.link == link {
			return true
		}
	}
	return false
}

// active returns the fault of a kind that lies on a point now, and counts it; nil where there is none.
func (s *Site) active(kind FaultKind, link string, ref actions.Ref) *Fault {
	for _, f := range s.faults {
		switch {
		case f.Kind != kind || f.Link != link || s.now.Before(f.At):
		case f.Point != (actions.Ref{}) && f.Point != ref:
		case f.For > 0 && !s.now.Before(f.At.Add(f.For)):
		case f.Count < 0:
		default:
			if f.Count > 0 {
				if f.Count--; f.Count == 0 {
					f.Count = -1 // used up
				}
			}
			return f
		}
	}
	return nil
}

// Mischief returns n faults between from and to that depend on seed alone. None is so long, and no command so late, that
// a careful program could not put everything right within an hour after to.
func (s *Site) Mischief(seed uint64, from, to time.Time, n int) []Fault {
	rng := rand.New(rand.NewPCG(seed, 0xFA17))
	within := func(least, most time.Duration) time.Duration {
		return least + time.Duration(rng.Int64N(int64(most-least)))
	}
	var settings []*cell
	for _, c := range s.cells {
		if c.set != nil {
			settings = append(settings, c)
		}
	}
	kinds := []FaultKind{Lose, Late, Twice, Slow, Offline, Reboot, Lie, ByHand}
	var all []Fault
	for range n {
		c := settings[rng.IntN(len(settings))]
		f := Fault{Kind: kinds[rng.IntN(len(kinds))], Link: c.link, At: from.Add(within(0, max(1, to.Sub(from))))}
		switch f.Kind {
		case Lose:
			f.Count = 1 + rng.IntN(2)
		case Late, Twice:
			// Sooner than the next command may follow, so that an old one never comes after a new one.
			f.By, f.Count = within(time.Second, 12*time.Second), 1
		case Slow:
			f.By, f.For = within(time.Second, 20*time.Second), within(time.Minute, 10*time.Minute)
		case Offline:
			f.For = within(time.Minute, 40*time.Minute)
		case Reboot:
			f.For = within(10*time.Second, 2*time.Minute)
		case Lie:
			f.Point, f.For = c.ref, within(20*time.Second, 5*time.Minute)
		case ByHand:
			f.Point, f.Value = c.ref, c.other(rng)
		}
		all = append(all, f)
	}
	return all
}

// other returns a value that a person may choose.
func (c *cell) other(rng *rand.Rand) actions.Value {
	if c.names != nil {
		return actions.Named(c.names[rng.IntN(len(c.names))])
	}
	if c.ref.Point == "current" {
		return actions.Number(float64(6 + rng.IntN(11)))
	}
	return actions.Number(c.lowest + float64(rng.IntN(5))*(c.most-c.lowest)/4)
}
