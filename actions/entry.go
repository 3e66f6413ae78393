package actions

import (
	"maps"
	"time"
)

// An EntryKind says what an [Entry] records.
type EntryKind string

// The kinds of entry. Which fields of an Entry count is said at each.
const (
	// EntryIntent is written before a command is sent: Step, Tries.
	EntryIntent EntryKind = "intent"
	// EntrySent is written after the send: Step.ID, Note, Until (when the box ends the value by itself; of a renewal only
	// where it surely arrived); State Failed where the far end refused it, so that it cannot arrive.
	EntrySent EntryKind = "sent"
	// EntryUnsent is written in place of EntrySent where nothing left this machine: the intent is taken back. Step.ID.
	EntryUnsent EntryKind = "unsent"
	// EntrySettled ends a step: Step (whole, for one that was never intended), State, ReadBack, Note.
	EntrySettled EntryKind = "settled"
	// EntryNormal records a captured normal: Point, Value.
	EntryNormal EntryKind = "normal"
	// EntryHand records that a person set a point we held: Point, Value, Holds.
	EntryHand EntryKind = "hand"
	// EntryDoubt records that the device lost what it was told, in a reset: it is to be sent once more. Point, Note; Until where it
	// ended by itself then, as it was told to, and was not renewed in time.
	EntryDoubt EntryKind = "doubt"
	// EntryLate records that a point that was given back shows its stray value after all, and so is owed again: Point, Note.
	EntryLate EntryKind = "late"
	// EntrySooner records that a box may end what it was lent sooner than was thought: Point, Until.
	EntrySooner EntryKind = "sooner"
	// EntrySpoke records by a clock that was set forward when the last send on a link ended: Step.Link, Until.
	EntrySpoke EntryKind = "spoke"
	// EntryHandOver forgets a point that nothing is owed on and no hold is left on: Point.
	EntryHandOver EntryKind = "hand-over"
	// EntryStandDown records that a window is not to be taken up (again): Window, Until. A zero Until forgets it.
	EntryStandDown EntryKind = "stand-down"
	// EntryWindowOver forgets the settled steps of a window, which stay in the log: Window.
	EntryWindowOver EntryKind = "window-over"
)

// An Entry is one line of the journal.
type Entry struct {
	Kind     EntryKind
	At       time.Time
	Step     Step
	Tries    int
	State    StepState
	ReadBack Value
	Note     string
	Point    Ref
	Value    Value
	Holds    []string
	Window   string
	Until    time.Time
}

// Clone returns a copy that shares nothing that Apply changes.
func (s Standing) Clone() Standing {
	return Standing{
		Points: maps.Clone(s.Points),
		Links:  maps.Clone(s.Links),
		Steps:  maps.Clone(s.Steps),
		Down:   maps.Clone(s.Down),
	}
}

// NewStanding returns a standing in which nothing is held.
func NewStanding() Standing {
	return Standing{
		Points: map[Ref]PointStanding{},
		Links:  map[string]LinkStanding{},
		Steps:  map[string]StepStanding{},
		Down:   map[string]time.Time{},
	}
}

// Apply changes s by one entry. It is the only way a standing changes, whatever keeps it, so that what a journal says
// after a crash is what the runner believed before it.
func (s *Standing) Apply(e Entry) {
	switch e.Kind {
	case EntryIntent:
		s.intent(e)
	case EntrySent:
		st := s.Steps[e.Step.ID]
		st.State, st.Sent = Sent, e.At
		if e.Note != "" {
			st.Note = e.Note
		}
		s.Steps[e.Step.ID] = st
		s.Links[st.Step.Link] = LinkStanding{LastSend: Later(s.Links[st.Step.Link].LastSend, e.At)}
		s.sent(st.Step, e)
	case EntryUnsent:
		s.unsent(e)
	case EntrySettled:
		s.settle(e)
	case EntryNormal:
		p := s.Points[e.Point]
		p.Normal = e.Value
		s.Points[e.Point] = p
	case EntryHand:
		p := s.Points[e.Point]
		p.Hand, p.Normal, p.HandHold = e.Value, e.Value, e.Holds
		p.Owed, p.Certain, p.Value = false, true, e.Value
		p.Stray, p.StrayUntil = Value{}, time.Time{}
		s.Points[e.Point] = p
	case EntryDoubt:
		p := s.Points[e.Point]
		// Of a command that was never confirmed nothing is sent once more: a reset that follows it is the first, and it may
		// still arrive.
		if p.Certain {
			if p.Ended = !e.Until.IsZero(); !p.Ended {
				p.Resent = true
			}
			p.Sent = time.Time{} // what was sent was done, and undone: only what is sent from now on may still arrive
		}
		p.Certain = false
		p.Stray, p.StrayUntil = Value{}, time.Time{}
		s.Points[e.Point] = p
	case EntryLate:
		p := s.Points[e.Point]
		p.Normal, p.Value = p.Value, p.Stray
		p.Owed, p.Certain, p.Touched = true, true, true
		p.Stray, p.StrayUntil = Value{}, time.Time{}
		s.Points[e.Point] = p
	case EntrySooner:
		if p, ok := s.Points[e.Point]; ok && e.Until.Before(p.Until) {
			p.Until = e.Until
			s.Points[e.Point] = p
		}
	case EntrySpoke:
		if l, ok := s.Links[e.Step.Link]; ok {
			s.Links[e.Step.Link] = LinkStanding{LastSend: Later(l.LastSend, e.Until)}
		}
	case EntryHandOver:
		delete(s.Points, e.Point)
	case EntryStandDown:
		if e.Until.IsZero() {
			delete(s.Down, e.Window)
			return
		}
		s.Down[e.Window] = e.Until
	case EntryWindowOver:
		for id, st := range s.Steps {
			if st.Step.Window == e.Window && st.State.Over() {
				delete(s.Steps, id)
			}
		}
	}
}

func (s *Standing) intent(e Entry) {
	st := s.Steps[e.Step.ID]
	st.Step, st.Tries, st.State = e.Step, e.Tries, Planned
	s.Steps[e.Step.ID] = st
	if e.Step.Renews {
		return // whatever becomes of it, the point has the value and owes as much as before
	}

	p := s.Points[e.Step.Point]
	if p.Value != e.Step.Value {
		p.leave(e)
	}
	if !p.Owed {
		p.Since, p.Touched = e.At, false
	}
	if p.Step != e.Step.ID {
		p.Resent, p.Ended = false, false
	}
	p.Owed, p.Certain, p.Value = true, false, e.Step.Value
	p.Step, p.Link = e.Step.ID, e.Step.Link
	if !e.Step.Release || e.Step.Window != "" {
		p.Window = e.Step.Window
	}
	s.Points[e.Step.Point] = p
}

// sent is a command that may have reached the point.
func (s *Standing) sent(step Step, e Entry) {
	p, ok := s.Points[step.Point]
	switch {
	case e.State == Failed || !ok:
		return
	case step.Renews && p.Value == step.Value:
		p.Sent = e.At
		if !e.Until.IsZero() {
			p.Until = e.Until
		}
	case p.Step == e.Step.ID:
		p.Sent, p.Touched, p.Until = e.At, true, e.Until
	default:
		return
	}
	s.Points[step.Point] = p
}

const (
	// StrayShort is how long after a confirmed command the same one may still arrive, late or twice.
	StrayShort = time.Minute
	// StrayLong is how long a command that was never confirmed may turn out to have been done: longer than boxes are down.
	StrayLong = 12 * time.Hour
)

// leave notes, before e asks for another value, that what was asked last may still arrive.
func (p *PointStanding) leave(e Entry) {
	switch last := p.Sent; {
	case !p.Value.Known || last.IsZero():
	case !p.Certain:
		p.Stray, p.StrayUntil = p.Value, e.At.Add(StrayLong)
	case e.At.Sub(last) < StrayShort:
		p.Stray, p.StrayUntil = p.Value, e.At.Add(StrayShort)
	}
	if p.Stray == e.Step.Value {
		p.Stray, p.StrayUntil = Value{}, time.Time{}
	}
	p.Sent = time.Time{}
}

func (s *Standing) unsent(e Entry) {
	st, ok := s.Steps[e.Step.ID]
	if !ok {
		return
	}
	if st.Tries--; st.Tries > 0 {
		st.State = Sent
	}
	s.Steps[e.Step.ID] = st
	if p := s.Points[st.Step.Point]; p.Step == e.Step.ID && !p.Touched {
		p.Owed = false
		s.Points[st.Step.Point] = p
	}
}

func (s *Standing) settle(e Entry) {
	st, intended := s.Steps[e.Step.ID]
	if !intended || e.Step.Point != (Ref{}) && e.Step.Point != st.Step.Point {
		st.Step = e.Step
	}
	st.State, st.Settled, st.ReadBack = e.State, e.At, e.ReadBack
	if e.Note != "" {
		st.Note = e.Note
	}
	s.Steps[e.Step.ID] = st
	if e.State != Confirmed && e.State != Assumed || st.Step.Renews {
		return
	}
	p, ok := s.Points[st.Step.Point]
	if st.Step.Release {
		s.released(p, st.Step, e.At)
		return
	}
	if !ok || !intended {
		// The device had the value already: nothing was written, so nothing is owed for it.
		p.Link = st.Step.Link
	}
	p.Certain, p.Value = true, st.Step.Value
	p.Step, p.Window = st.Step.ID, st.Step.Window
	s.Points[st.Step.Point] = p
}

// released is a point given back. A captured normal is forgotten: the next hold captures it anew.
func (s *Standing) released(p PointStanding, step Step, at time.Time) {
	switch {
	case p.Hand.Known:
		p.Owed, p.Certain, p.Value = false, true, step.Value
		s.Points[step.Point] = p
	case p.Stray.Known && at.Before(p.StrayUntil):
		s.Points[step.Point] = PointStanding{Value: step.Value, Step: step.ID, Window: p.Window, Link: p.Link, Since: p.Since,
			Stray: p.Stray, StrayUntil: p.StrayUntil}
	default:
		delete(s.Points, step.Point)
	}
}
