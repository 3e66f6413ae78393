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
	// EntrySent is written after the send: Step.ID, Note.
	EntrySent EntryKind = "sent"
	// EntrySettled ends a step: Step (whole, for one that was never intended), State, ReadBack, Note.
	EntrySettled EntryKind = "settled"
	// EntryNormal records a captured normal: Point, Value.
	EntryNormal EntryKind = "normal"
	// EntryHand records that a person set a point we held: Point, Value, Holds.
	EntryHand EntryKind = "hand"
	// EntryDoubt records that the device lost what it was told, in a reset: it is to be sent once more. Point, Note.
	EntryDoubt EntryKind = "doubt"
	// EntryHandOver records that no hold is left on a point a hand was on: Point.
	EntryHandOver EntryKind = "hand-over"
	// EntryStandDown records that a window is not to be taken up (again): Window, Until.
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
		s.Links[st.Step.Link] = LinkStanding{LastSend: later(s.Links[st.Step.Link].LastSend, e.At)}
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
		s.Points[e.Point] = p
	case EntryDoubt:
		p := s.Points[e.Point]
		p.Certain, p.Resent = false, true
		s.Points[e.Point] = p
	case EntryHandOver:
		delete(s.Points, e.Point)
	case EntryStandDown:
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

	p := s.Points[e.Step.Point]
	if !p.Owed {
		p.Since = e.At
	}
	if p.Step != e.Step.ID {
		p.Resent = false
	}
	p.Owed, p.Certain, p.Value = true, false, e.Step.Value
	p.Step, p.Window, p.Link = e.Step.ID, e.Step.Window, e.Step.Link
	if e.Step.Release && e.Step.Window == "" {
		p.Window = s.Points[e.Step.Point].Window
	}
	s.Points[e.Step.Point] = p
}

func (s *Standing) settle(e Entry) {
	st, intended := s.Steps[e.Step.ID]
	if !intended {
		st.Step = e.Step
	}
	st.State, st.Settled, st.ReadBack = e.State, e.At, e.ReadBack
	if e.Note != "" {
		st.Note = e.Note
	}
	s.Steps[e.Step.ID] = st
	if e.State != Confirmed && e.State != Assumed {
		return
	}
	p, ok := s.Points[st.Step.Point]
	if st.Step.Release {
		// Given back. A captured normal is forgotten: the next hold captures it anew.
		if p.Hand.Known {
			p.Owed, p.Certain, p.Value = false, true, st.Step.Value
			s.Points[st.Step.Point] = p
			return
		}
		delete(s.Points, st.Step.Point)
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

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}
