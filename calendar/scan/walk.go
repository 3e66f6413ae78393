package scan

import (
	"bytes"
	"iter"
)

// An Event is a VEVENT, unparsed, with the lines that decide whether it can matter. The lines are logical ones, still
// folded, nil where the event has none, the first where it has several.
type Event struct {
	Text     []byte // from its BEGIN to its END
	Line     int    // of BEGIN in the body, from 1
	Calendar int    // which VCALENDAR of the body, from 0
	Fault    string // why it cannot be used, "" where it can

	UID, Start, End, Duration, Rule, RecurrenceID, Sequence, Stamp, Status []byte

	More bool // it has RDATE, EXRULE or a second RRULE
}

// A Handler takes what [Walk] finds, in the order of the body. What an Event points to is the body's; the Event itself is
// used again for the next.
type Handler interface {
	Calendar(line int)             // a VCALENDAR begins
	Property(raw []byte, line int) // one of its own properties, a logical line
	Zone(text []byte, line int)    // a VTIMEZONE, from its BEGIN to its END
	Event(*Event)                  //
	Fault(line int, what string)   // something is wrong beside the events
}

// A Shape says how the VCALENDARs of a body lie in it.
type Shape struct {
	Calendars int
	Open      int // line of the BEGIN of a VCALENDAR that is not closed; 0 where all are
	Events    int
	Unread    int // events past MaxEvents
}

// Walk goes through body once and hands what it finds to h.
func Walk(body []byte, h Handler) Shape {
	w := walker{body: body, h: h}
	for w.pos < len(body) {
		raw := w.logical()
		if len(raw) > 3 {
			w.take(raw)
		}
	}
	w.abandon("the body ends")
	if w.calendar > 0 {
		w.shape.Open = w.calendar
	}
	return w.shape
}

type walker struct {
	body     []byte
	h        Handler
	shape    Shape
	pos      int
	next     int // number of the line at pos, from 0
	line     int // number of the logical line at hand, from 1
	begin    int // where the logical line at hand begins
	calendar int // line of the open VCALENDAR's BEGIN; 0: none is open

	kind   kind     // of the component at hand
	start  int      // where it begins
	first  int      // its first line
	lines  int      // how many it has
	nested [][]byte // names of the components open in it
	deeper int      // how many more are open
	event  Event
}

type kind uint8

const (
	none kind = iota
	event
	zone
	other
)

// logical returns the logical line at pos, still folded and without its line end, and goes past it.
func (w *walker) logical() []byte {
	w.begin = w.pos
	w.line = w.next + 1
	end, lines := logicalEnd(w.body, w.pos)
	w.pos = end
	w.next += lines
	return cutEnd(w.body[w.begin:end])
}

// logicalEnd returns where the logical line at pos ends, after its line end, and how many physical lines it has.
func logicalEnd(body []byte, pos int) (end, lines int) {
	for {
		lines++
		i := bytes.IndexByte(body[pos:], '\n')
		if i < 0 {
			return len(body), lines
		}
		pos += i + 1
		if pos == len(body) || body[pos] != ' ' && body[pos] != '\t' {
			return pos, lines
		}
	}
}

// Lines goes through the logical lines of text, still folded and without their line ends, with their numbers; the first is
// number first.
func Lines(text []byte, first int) iter.Seq2[int, []byte] {
	return func(yield func(int, []byte) bool) {
		for pos := 0; pos < len(text); {
			end, lines := logicalEnd(text, pos)
			if raw := cutEnd(text[pos:end]); len(raw) > 0 && !yield(first, raw) {
				return
			}
			pos = end
			first += lines
		}
	}
}

// Named reports whether a logical line is of the property with that name, given in upper case.
func Named(raw []byte, name string) bool { return named(raw, name) }

// Boundary reports which component a logical line begins or ends, if it does.
func Boundary(raw []byte) (name []byte, begins, ends bool) {
	switch raw[0] | 0x20 {
	case 'b':
		name, begins = boundary(raw, "BEGIN")
	case 'e':
		name, ends = boundary(raw, "END")
	}
	return name, begins, ends
}

func (w *walker) take(raw []byte) {
	name, begins, ends := Boundary(raw)
	switch {
	case begins:
		w.opened(name)
	case ends:
		w.closed(name)
	case w.calendar == 0:
	case w.kind == none:
		w.h.Property(raw, w.line)
	default:
		w.lines++
		if w.kind == event && len(w.nested) == 0 {
			w.property(raw)
		}
	}
}

// boundary returns the component named by a BEGIN or END line.
func boundary(raw []byte, word string) (name []byte, ok bool) {
	if bytes.IndexByte(raw, '\n') >= 0 {
		if len(raw) > 1000 {
			return nil, false
		}
		raw = Unfold(raw)
	}
	if !named(raw, word) || len(raw) > 1000 {
		return nil, false
	}
	i := bytes.IndexByte(raw, ':')
	if i < 0 {
		return nil, false
	}
	return trim(raw[i+1:]), true
}

// named reports whether the line's property has that name.
func named(raw []byte, name string) bool {
	if len(raw) <= len(name) {
		return false
	}
	switch raw[len(name)] {
	case ':', ';', ' ', '\t':
		return equalFold(raw[:len(name)], name)
	}
	return false
}

func (w *walker) opened(name []byte) {
	switch {
	case equalFold(name, "VCALENDAR"):
		if w.calendar > 0 { // the one before was cut off
			w.abandon("another VCALENDAR begins")
			w.shape.Open = w.calendar
		}
		w.calendar = w.line
		w.shape.Calendars++
		w.h.Calendar(w.line)
	case w.calendar == 0:
	case equalFold(name, "VEVENT"):
		w.abandon("another VEVENT begins")
		w.component(event)
		w.event = Event{Line: w.line, Calendar: w.shape.Calendars - 1}
	case equalFold(name, "VTIMEZONE"):
		w.abandon("a VTIMEZONE begins")
		w.component(zone)
	case w.kind == none:
		w.component(other)
		w.nested = append(w.nested, name)
	case len(w.nested) >= MaxNesting:
		w.deeper++
		w.event.Fault = "components are nested too deep in it"
	default:
		w.nested = append(w.nested, name)
	}
}

func (w *walker) component(k kind) {
	w.kind, w.start, w.first, w.lines, w.nested, w.deeper = k, w.begin, w.line, 0, w.nested[:0], 0
}

func (w *walker) closed(name []byte) {
	switch {
	case w.calendar == 0:
	case len(name) >= 9 && equalFold(name[:9], "VCALENDAR"): // with a letter too many it is still the end
		w.abandon("its VCALENDAR ends")
		w.calendar = 0
	case w.kind == event && equalFold(name, "VEVENT"):
		w.finish()
	case w.kind == zone && equalFold(name, "VTIMEZONE"):
		if w.lines > MaxLines {
			w.h.Fault(w.line, "a VTIMEZONE has too many lines")
		} else {
			w.h.Zone(w.body[w.start:w.pos], w.first)
		}
		w.kind = none
	case w.deeper > 0:
		w.deeper--
	default:
		w.pop(name)
	}
}

// pop closes the innermost nested component of that name and what is open in it; a name that is not open closes nothing.
func (w *walker) pop(name []byte) {
	for i := len(w.nested) - 1; i >= 0; i-- {
		if bytes.EqualFold(w.nested[i], name) {
			w.nested = w.nested[:i]
			break
		}
	}
	if w.kind == other && len(w.nested) == 0 {
		w.kind = none
	}
}

// abandon leaves the component at hand, which is not closed.
func (w *walker) abandon(why string) {
	if w.kind == event {
		w.event.Fault = "it has no END:VEVENT: " + why
		w.finish()
	}
	w.kind = none
}

func (w *walker) finish() {
	w.kind = none
	if w.lines > MaxLines {
		w.event.Fault = "it has too many lines"
	}
	if w.shape.Events++; w.shape.Events > MaxEvents {
		w.shape.Unread++
		return
	}
	w.event.Text = w.body[w.start:w.pos]
	w.h.Event(&w.event)
}

// property notes the lines of an event that decide whether it can matter.
func (w *walker) property(raw []byte) {
	e := &w.event
	var slot *[]byte
	name := raw
	if i := bytes.IndexByte(raw, '\n'); i >= 0 && i < 20 && !bytes.ContainsAny(raw[:i], ":;") { // the fold lies in the name
		name = append(Unfold(raw[:min(len(raw), 4096)]), ':')
	}
	switch c := name[0] | 0x20; {
	case c == 'd' && named(name, "DTSTART"):
		slot = &e.Start
	case c == 'd' && named(name, "DTEND"):
		slot = &e.End
	case c == 'd' && named(name, "DTSTAMP"):
		slot = &e.Stamp
	case c == 'd' && named(name, "DURATION"):
		slot = &e.Duration
	case c == 'u' && named(name, "UID"):
		slot = &e.UID
	case c == 's' && named(name, "SEQUENCE"):
		slot = &e.Sequence
	case c == 's' && named(name, "STATUS"):
		slot = &e.Status
	case c == 'r' && named(name, "RRULE"):
		if slot = &e.Rule; e.Rule != nil {
			e.More = true
		}
	case c == 'r' && named(name, "RECURRENCE-ID"):
		slot = &e.RecurrenceID
	case c == 'r' && named(name, "RDATE"), c == 'e' && named(name, "EXRULE"):
		e.More = true
	}
	if slot != nil && *slot == nil {
		*slot = raw
	}
}
