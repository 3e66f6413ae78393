package calendar

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"spillway/calendar/civil"
	"spillway/calendar/recur"
	"spillway/calendar/scan"
	"spillway/calendar/zone"
)

// An event is a VEVENT, decoded.
type event struct {
	index                int32 // in reader.events, from 1; 0: not yet there
	uid                  string
	line, calendar       int
	sequence             int64
	stamp                time.Time
	summary, description string
	categories           []string
	resources            []string
	status               string
	priority             int
	organizer            string
	attendees            []attendee
	unanswered           bool // see Occurrence
	refused              string

	start   moment
	end     moment // where ends is true
	ends    bool
	lasting civil.Duration // DURATION; or what DTSTART alone means

	rules, exceptRules []recur.Rule
	ruleText           string
	also               []period // RDATE
	except             []int64  // EXDATE as instants, sorted
	exceptDays         []civil.Day

	instead moment // RECURRENCE-ID
	moves   bool   // it has one
	future  bool   // RANGE=THISANDFUTURE
}

// A moment is a DATE or DATE-TIME in its zone.
type moment struct {
	civil.Value
	zone *zone.Zone
	at   int64
}

// A period is an RDATE: an instance with, where it is a PERIOD, an end of its own.
type period struct {
	in   recur.Instance
	end  int64
	ends bool
}

// An attendee is what counts of an ATTENDEE: who, and whether somebody said yes.
type attendee struct {
	address  string
	accepted bool
}

// maxText is how much of a text is kept, in octets.
const maxText = 64 << 10

// maxDates is how many EXDATE or RDATE values an event may have.
const maxDates = 50_000

// decode reads the event that rec stands for. An error says why the event cannot be used; what is wrong beside that is
// told. Beside an error, the event holds what was read until then.
func (r *reader) decode(rec *record) (*event, error) {
	e := &event{line: int(rec.line), calendar: int(rec.calendar), sequence: rec.sequence, status: "confirmed", uid: strings.TrimSpace(scan.Text(rec.uid))}
	d := &r.decoder
	*d = decoder{reader: r, event: e, dates: d.dates[:0]}
	nested := 0
	for n, raw := range scan.Lines(rec.text, e.line) {
		_, begins, ends := scan.Boundary(raw)
		switch {
		case begins:
			nested++
		case ends:
			nested--
		case nested == 1:
			if err := d.line(n, raw); err != nil {
				return e, err
			}
		}
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

// unreadable tells of a line that cannot be split. If it decides when the event is, the event goes with it.
func (d *decoder) unreadable(n int, raw []byte, cause error) error {
	i := 0
	for i < len(raw) && i < 20 && (raw[i] == '-' || raw[i]|0x20 >= 'a' && raw[i]|0x20 <= 'z') {
		i++
	}
	switch name := strings.ToUpper(string(raw[:i])); name {
	case "DTSTART", "DTEND", "DURATION", "RRULE", "RDATE", "EXDATE", "EXRULE", "RECURRENCE-ID", "STATUS":
		return fmt.Errorf("line %d, %s: %w", n, name, cause)
	}
	if d.broken++; d.broken <= 3 {
		d.problem(n, d.uid, fmt.Sprintf("the line is passed over: %v", cause))
	}
	return nil
}

// property takes the property that d.prop holds.
func (d *decoder) property(n int, raw []byte) (err error) {
	p, e := &d.prop, d.event
	switch {
	case p.Is("DTSTART") && !d.hasStart:
		d.hasStart = true
		e.start, err = d.moment()
	case p.Is("DTEND") && !e.ends:
		e.ends = true
		e.end, err = d.moment()
	case p.Is("DURATION") && !d.hasDur:
		if e.lasting, err = civil.ParseDuration(trimmed(p.Value)); err != nil {
			return fmt.Errorf("%q %w", cutShort(string(p.Value), 40), err)
		}
		d.hasDur = true
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

// describe takes the properties that do not decide when the event is.
func (d *decoder) describe() {
	p, e := &d.prop, d.event
	switch {
	case p.Is("SUMMARY"):
		e.summary = cutText(scan.Text(p.Value))
	case p.Is("DESCRIPTION"):
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
		if n, err := strconv.Atoi(string(trimmed(p.Value))); err == nil && n >= 0 && n <= 9 {
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

// moment reads the date in d.prop with its TZID.
func (d *decoder) moment() (moment, error) {
	p := &d.prop
	v, err := civil.Parse(trimmed(p.Value))
	if err != nil {
		return moment{}, fmt.Errorf("%q %w", cutShort(string(p.Value), 40), err)
	}
	if v.Form != civil.DateOnly && strings.EqualFold(string(p.Param("VALUE")), "DATE") {
		v = civil.Value{Wall: v.Wall.Day().Wall(), Form: civil.DateOnly}
	}
	return d.inZone(v, p.Param("TZID")), nil
}

// inZone ties v to its zone (RFC 5545 3.2.19: a TZID counts neither for a DATE nor for a UTC time). An unknown zone refuses
// the event, which is then shown where it would be if its times were floating.
func (d *decoder) inZone(v civil.Value, tzid []byte) moment {
	m := moment{Value: v}
	switch {
	case v.Form == civil.UTC:
		m.zone = d.utc
	case v.Form == civil.DateOnly:
		m.zone = d.zone
	case len(tzid) == 0: // an empty TZID says nothing
		m.zone = d.floating(d.calendar)
	default:
		z, err := d.zoneOf(d.calendar, scan.Text(tzid))
		if err != nil {
			d.refused = err.Error()
			z = d.floating(d.calendar)
		}
		m.zone = z
	}
	m.at = m.zone.Instant(v.Wall)
	return m
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
		return errAfterEnd
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
	if e.refused != "" {
		d.problem(e.line, e.uid, "the event is refused: "+e.refused)
	}
	e.unanswered, e.attendees = e.isUnanswered(), nil
	return nil
}

// dateList reads an RDATE or EXDATE line. Times that name no zone are in DTSTART's.
func (d *decoder) dateList(l lateDates) error {
	p, e := &d.prop, d.event
	if err := p.Split(l.raw); err != nil {
		return err
	}
	for s := range strings.SplitSeq(string(p.Value), ",") {
		s = strings.TrimSpace(s)
		if s == "" {
			continue
		}
		if len(e.also)+len(e.except)+len(e.exceptDays) >= maxDates {
			return fmt.Errorf("the event has more than %d dates", maxDates)
		}
		first, rest, isPeriod := strings.Cut(s, "/")
		v, err := civil.Parse(first)
		if err != nil {
			return fmt.Errorf("%q %w", cutShort(s, 40), err)
		}
		m := d.listed(v, p.Param("TZID"))
		if p.Is("EXDATE") {
			if v.Form == civil.DateOnly {
				e.exceptDays = append(e.exceptDays, v.Wall.Day())
			} else {
				e.except = append(e.except, m.at)
			}
			if e.start.Form == civil.DateOnly {
				e.exceptDays = append(e.exceptDays, v.Wall.Day())
			}
			continue
		}
		if err := d.addDate(m, rest, isPeriod); err != nil {
			return fmt.Errorf("%q %w", cutShort(s, 60), err)
		}
	}
	return nil
}

// listed ties a listed date to a zone: DTSTART's where it names none and both are local times.
func (d *decoder) listed(v civil.Value, tzid []byte) moment {
	if s := d.start; len(tzid) == 0 && v.Form == civil.Local && s.Form == civil.Local {
		return moment{v, s.zone, s.zone.Instant(v.Wall)}
	}
	return d.inZone(v, tzid)
}

// addDate takes one RDATE. A DATE for a timed event means DTSTART's time of that day.
func (d *decoder) addDate(m moment, rest string, isPeriod bool) error {
	e := d.event
	if m.Form == civil.DateOnly && e.start.Form != civil.DateOnly {
		m.Wall += civil.Wall(e.start.Wall.Second())
		m.at = e.start.zone.Instant(m.Wall)
	}
	p := period{in: recur.Instance{Wall: e.start.zone.Wall(m.at), At: m.at}}
	if isPeriod {
		p.ends = true
		if dur, err := civil.ParseDuration(rest); err == nil {
			p.end = m.zone.Instant(m.Wall+civil.Wall(dur.Days*civil.SecondsPerDay)) + int64(dur.Exact/time.Second)
		} else {
			v, err := civil.Parse(rest)
			if err != nil {
				return err
			}
			if end := d.listed(v, d.prop.Param("TZID")); v.Form == civil.Local {
				p.end = m.zone.Instant(v.Wall)
			} else {
				p.end = end.at
			}
		}
		if p.end < p.in.At {
			return errAfterEnd
		}
	}
	e.also = append(e.also, p)
	return nil
}

// recurs reports whether the event is more than its one start.
func (e *event) recurs() bool { return len(e.rules)+len(e.also) > 0 }

// allDay reports whether e starts on a DATE.
func (e *event) allDay() bool { return e.start.Form == civil.DateOnly }

// isUnanswered reports whether e is an invitation that nobody but its organizer has accepted.
func (e *event) isUnanswered() bool {
	others := false
	for _, a := range e.attendees {
		if a.address == e.organizer {
			continue
		}
		if a.accepted {
			return false
		}
		others = true
	}
	return others
}

// longest returns more seconds than any instance of e lasts.
func (e *event) longest() int64 {
	n := e.lasting.Days*civil.SecondsPerDay + int64(e.lasting.Exact/time.Second)
	if e.ends {
		n = e.end.at - e.start.at
	}
	for _, p := range e.also {
		if p.ends {
			n = max(n, p.end-p.in.At)
		}
	}
	return n + slack
}

// endOf returns when the instance in ends. An end given by DTEND keeps its wall-clock time over a clock change; of a
// DURATION, weeks and days do, the rest is exact (RFC 5545 3.3.6).
func (e *event) endOf(in recur.Instance) int64 {
	z := e.start.zone
	if !e.ends {
		if e.lasting.Days == 0 {
			return in.At + int64(e.lasting.Exact/time.Second)
		}
		at := z.Instant(in.Wall + civil.Wall(e.lasting.Days*civil.SecondsPerDay))
		return max(at, in.At) + int64(e.lasting.Exact/time.Second)
	}
	if in.Wall == e.start.Wall && in.At == e.start.at {
		return e.end.at
	}
	length := z.Wall(e.end.at) - e.start.Wall
	if length <= 0 { // it ends within its own clock change
		return in.At + e.end.at - e.start.at
	}
	if at := z.Instant(in.Wall + length); at > in.At {
		return at
	}
	return in.At + int64(length) // it starts in a gap, and its end lies before that on the clock
}
