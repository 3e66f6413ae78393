package calendar

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"spillway/calendar/civil"
	"spillway/calendar/recur"
	"spillway/calendar/scan"
)

// maxText is how much of a text is kept, in octets.
const maxText = 64 << 10

// decode reads the event that rec stands for. An error says why the event cannot be used; what is wrong beside that is
// told. Beside an error, the event holds what was read until then, and its RECURRENCE-ID wherever it stands.
func (r *reader) decode(rec *record) (*event, error) {
	e := &event{line: int(rec.line), calendar: int(rec.calendar), sequence: rec.sequence, status: "confirmed", uid: strings.TrimSpace(scan.Text(rec.uid))}
	d := &r.decoder
	*d = decoder{reader: r, event: e, dates: d.dates[:0]}
	nested, failed := 0, error(nil)
	for n, raw := range scan.Lines(rec.text, e.line) {
		_, begins, ends := scan.Boundary(raw)
		switch {
		case begins:
			nested++
		case ends:
			nested--
		case nested == 1 && (failed == nil || scan.Named(raw, "RECURRENCE-ID")):
			failed = cmp.Or(failed, d.line(n, raw))
		}
	}
	if failed != nil {
		return e, failed
	}
	return e, d.finish()
}

// decoder is the decoding of one event.
type decoder struct {
	*reader
	*event
	prop     scan.Prop
	hasStart bool
	hasDur   bool
	broken   int
	dates    []lateDates
}

// lateDates are lines that can only be read once DTSTART is known.
type lateDates struct {
	no  int
	raw []byte
}

func (d *decoder) line(n int, raw []byte) error {
	if c := raw[0] | 0x20; c == 'x' || c == 'a' && len(raw) > 1000 && !isAttendee(raw) {
		return nil // extensions and attachments, however long
	}
	p := &d.prop
	if err := p.Split(raw); err != nil {
		return d.unreadable(n, raw, err)
	}
	if err := d.property(n, raw); err != nil {
		return fmt.Errorf("line %d, %s: %w", n, strings.ToUpper(string(p.Name)), err)
	}
	return nil
}

func isAttendee(raw []byte) bool {
	return len(raw) > 8 && strings.EqualFold(string(raw[:8]), "ATTENDEE")
}

// unreadable tells of a line that cannot be split. If it takes occurrences away, or decides when they are, the event goes
// with it.
func (d *decoder) unreadable(n int, raw []byte, cause error) error {
	i := 0
	for i < len(raw) && i < 20 && (raw[i] == '-' || raw[i]|0x20 >= 'a' && raw[i]|0x20 <= 'z') {
		i++
	}
	switch name := strings.ToUpper(string(raw[:i])); name {
	case "DTSTART", "RRULE", "EXDATE", "EXRULE", "RECURRENCE-ID", "STATUS":
		return fmt.Errorf("line %d, %s: %w", n, name, cause)
	}
	d.passOver(n, cause)
	return nil
}

// passOver tells that something in line n is not used. Of a few such lines in an event, not of all.
func (d *decoder) passOver(n int, cause error) {
	if d.broken++; d.broken <= 3 {
		d.problem(n, d.uid, fmt.Sprintf("passed over: %v", cause))
	}
}

// property takes the property that d.prop holds.
func (d *decoder) property(n int, raw []byte) (err error) {
	p, e := &d.prop, d.event
	switch {
	case p.Is("DTSTART") && !d.hasStart:
		d.hasStart = true
		e.start, err = d.moment()
	case p.Is("DTEND") && !e.ends:
		d.end(n)
	case p.Is("DURATION") && !d.hasDur:
		d.duration(n)
	case p.Is("RRULE"), p.Is("EXRULE"):
		return d.rule(n)
	case p.Is("RDATE"), p.Is("EXDATE"):
		d.dates = append(d.dates, lateDates{n, raw})
	case p.Is("RECURRENCE-ID"):
		e.moves = true
		e.instead, err = d.moment()
		d.rangeOf(n)
	case p.Is("DTSTAMP"):
		if v, err := civil.Parse(trimmed(p.Value)); err == nil {
			e.stamp = v.Wall.Time()
		}
	default:
		d.describe()
	}
	return err
}

// end takes DTEND. Without a readable end an event lasts as long as its start alone says: a timed one makes no window.
func (d *decoder) end(n int) {
	end, err := d.moment()
	if err != nil {
		d.passOver(n, fmt.Errorf("DTEND %w", err))
		return
	}
	d.event.end, d.event.ends = end, true
}

func (d *decoder) duration(n int) {
	dur, err := civil.ParseDuration(trimmed(d.prop.Value))
	if err != nil {
		d.passOver(n, fmt.Errorf("DURATION %q %w", cutShort(string(d.prop.Value), 40), err))
		return
	}
	d.event.lasting, d.hasDur = dur, true
}

// describe takes the properties that do not decide when the event is.
func (d *decoder) describe() {
	p, e := &d.prop, d.event
	switch {
	case p.Is("SUMMARY") && e.summary == "": // of several, the first
		e.summary = cutText(scan.Text(p.Value))
	case p.Is("DESCRIPTION") && e.description == "":
		e.description = cutText(scan.Text(p.Value))
	case p.Is("CATEGORIES"):
		e.categories = append(e.categories, scan.Texts(p.Value)...)
	case p.Is("RESOURCES"):
		e.resources = append(e.resources, scan.Texts(p.Value)...)
	case p.Is("STATUS"):
		if s := strings.ToLower(strings.TrimSpace(scan.Text(p.Value))); s != "" {
			e.status = cutShort(s, 40)
		}
	case p.Is("PRIORITY"):
		if n, err := strconv.Atoi(trimmed(p.Value)); err == nil && n >= 0 && n <= 9 {
			e.priority = n
		}
	case p.Is("ORGANIZER"):
		e.organizer = address(p.Value)
	case p.Is("ATTENDEE"):
		kind := strings.ToUpper(string(p.Param("CUTYPE")))
		yes := strings.EqualFold(string(p.Param("PARTSTAT")), "ACCEPTED") && kind != "ROOM" && kind != "RESOURCE"
		e.attendees = append(e.attendees, attendee{address(p.Value), yes})
	}
}

func cutText(s string) string {
	if len(s) > maxText {
		return strings.ToValidUTF8(s[:maxText], "")
	}
	return s
}

func trimmed(b []byte) string { return strings.TrimSpace(string(b)) }

// address gives a CAL-ADDRESS as people write it.
func address(b []byte) string {
	s := strings.ToLower(strings.TrimSpace(scan.Text(b)))
	return strings.TrimSpace(strings.TrimPrefix(s, "mailto:"))
}

// rule takes an RRULE or EXRULE. One that cannot be read is told, and left out: the event's own start stays, unless it is
// an exception, which it would be wrong to overlook.
func (d *decoder) rule(n int) error {
	text := trimmed(d.prop.Value)
	rule, err := recur.Parse(text)
	switch {
	case err != nil && d.prop.Is("EXRULE"):
		return err
	case err != nil:
		d.problem(n, d.uid, fmt.Sprintf("the rule %q is left out: %v", cutShort(text, 120), err))
	case d.prop.Is("EXRULE"):
		d.exceptRules = append(d.exceptRules, rule)
	default:
		d.rules = append(d.rules, rule)
		d.ruleText = strings.TrimPrefix(d.ruleText+" + "+cutShort(text, 300), " + ")
	}
	return nil
}

func (d *decoder) rangeOf(n int) {
	switch v := d.prop.Param("RANGE"); {
	case v == nil:
	case strings.EqualFold(string(v), "THISANDFUTURE"):
		d.future = true
	default:
		d.problem(n, d.uid, fmt.Sprintf("RANGE=%s is not known: only the one occurrence is changed", cutShort(string(v), 40)))
	}
}

// finish checks what was read and works out what follows from it.
func (d *decoder) finish() error {
	e := d.event
	if d.calendars[e.calendar].cancel {
		e.status = "cancelled"
	}
	if !d.hasStart {
		if !e.moves || e.status != "cancelled" {
			return errors.New("it has no DTSTART")
		}
		e.start = e.instead // RFC 5546 3.2.5: to cancel an instance its RECURRENCE-ID is enough
	}
	for _, l := range d.dates {
		if err := d.dateList(l); err != nil {
			return fmt.Errorf("line %d, %s: %w", l.no, strings.ToUpper(string(d.prop.Name)), err)
		}
	}
	slices.Sort(e.except)
	slices.Sort(e.exceptDays)
	allDay := e.allDay()
	switch {
	case e.ends && e.end.at < e.start.at:
		return d.backwards()
	case e.ends:
		e.lasting = civil.Duration{}
	case !d.hasDur && allDay:
		e.lasting.Days = 1 // RFC 5545 3.6.1
	case e.lasting.Days < 0 || e.lasting.Exact < 0:
		return errors.New("its DURATION is negative")
	case allDay && e.lasting.Exact != 0:
		const day = 24 * time.Hour
		if e.lasting.Exact%day != 0 {
			d.problem(e.line, e.uid, "its DURATION has hours, but its start is a DATE: only whole days count (RFC 5545 3.6.1)")
		}
		e.lasting = civil.Duration{Days: e.lasting.Days + int64(e.lasting.Exact/day)}
	}
	return d.close()
}

// backwards takes an event that ends before it starts. Which of the two is wrong is not known: a single event is shown with
// the two swapped, so that people see which it is, and refused; a series is left out.
func (d *decoder) backwards() error {
	e := d.event
	if e.recurs() || e.moves {
		return errAfterEnd
	}
	e.start, e.end, e.lasting = e.end, e.start, civil.Duration{}
	e.refused = errAfterEnd.Error()
	return d.close()
}

// close ends the decoding of an event that can be used.
func (d *decoder) close() error {
	e := d.event
	if e.refused != "" {
		d.problem(e.line, e.uid, "the event is refused: "+e.refused)
	}
	e.unanswered, e.attendees = e.isUnanswered(), nil
	return nil
}
