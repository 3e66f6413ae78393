package calendar

import (
	"bytes"
	"errors"
	"fmt"
	"hash/maphash"
	"math"
	"slices"
	"strings"
	"time"

	"spillway/calendar/recur"
	"spillway/calendar/scan"
	"spillway/calendar/zone"
)

// The bounds on what one body may yield and cost. Work is counted as in [recur.Budget].
const (
	maxPerEvent = 10_000     // occurrences of one UID in the range
	maxHeavy    = 100_000    // occurrences of all UIDs with more than lightYield each
	maxTotal    = 150_000    // occurrences in all
	lightYield  = 1000       //
	freeWork    = 500        // work that every event may cost, whatever others did
	eventWork   = 3_000_000  // work that one event may cost
	bodyWork    = 30_000_000 // work that all events of a body may cost beyond freeWork each
	zonesWork   = 8_000_000  // work that all its VTIMEZONEs may cost
	maxZones    = 2000       // VTIMEZONEs and zone names that are looked up; the IANA database has 600 names
	maxProblems = 1000       // problems that are listed one by one
)

// Read finds the occurrences in a body: one iCalendar stream, of one VCALENDAR or several. body must not change meanwhile;
// nothing of it is kept.
//
// The error is [ErrEmpty], [ErrNotCalendar] or [ErrTruncated], with what to do; then the body must be taken as not read at
// all. Anything less costs only the event it is in, and is told in Problems. Events that cannot touch the range are passed
// over without being read, so what is wrong in them is not told.
//
// Work and memory are bounded on any input: one that yields more than 10,000 occurrences in the range, or takes too much
// work to expand, is left out and reported.
func Read(body []byte, o Options) (Result, error) {
	body, err := prepare(body)
	if err != nil {
		return Result{}, err
	}
	r := newReader(o)
	r.expect(min(bytes.Count(body, []byte("BEGIN:VEVENT")), scan.MaxEvents))
	shape := scan.Walk(body, r)
	switch {
	case shape.Calendars == 0:
		return Result{}, fmt.Errorf("%w: it looks like %s; open its address in a browser to see what is there", ErrNotCalendar, describe(body))
	case shape.Open > 0:
		return Result{}, fmt.Errorf("%w: the VCALENDAR that begins in line %d is not closed; fetch it again", ErrTruncated, shape.Open)
	}
	if shape.Unread > 0 {
		r.problem(0, "", fmt.Sprintf("%d events past the first %d are not read", shape.Unread, scan.MaxEvents))
	}
	r.expandAll()
	return Result{Name: r.name, Occurrences: r.occurrences(), Problems: r.told()}, nil
}

// prepare leaves out a byte order mark and blanks at the start, and gives a body whose lines end in bare CRs the LFs that
// everything after it looks for.
func prepare(body []byte) ([]byte, error) {
	body = bytes.TrimPrefix(body, []byte("\xef\xbb\xbf"))
	if len(bytes.TrimSpace(body)) == 0 {
		return nil, fmt.Errorf("%w: a calendar without events would still hold BEGIN:VCALENDAR; fetch it again", ErrEmpty)
	}
	if first := bytes.TrimSpace(body[:min(len(body), 512)]); len(first) > 0 && (first[0] == '<' || first[0] == '{') {
		return nil, fmt.Errorf("%w: it looks like %s; open its address in a browser to see what is there", ErrNotCalendar, describe(body))
	}
	if bytes.IndexByte(body, '\n') < 0 && bytes.IndexByte(body, '\r') >= 0 {
		body = bytes.ReplaceAll(body, []byte{'\r'}, []byte{'\n'})
	}
	return body, nil
}

// describe says what a body that is no calendar looks like.
func describe(body []byte) string {
	b := bytes.TrimSpace(body[:min(len(body), 4096)])
	for _, k := range []struct{ start, what string }{
		{"<", "a web page or XML"}, {"{", "JSON"}, {"[", "JSON"}, {"\x89PNG", "a picture"}, {"\xff\xd8\xff", "a picture"}, {"GIF8", "a picture"},
		{"RIFF", "a picture or a recording"}, {"%PDF", "a PDF"}, {"PK\x03\x04", "a ZIP archive"}, {"\x1f\x8b", "gzip data"},
		{"\xff\xfe", "UTF-16 text; it has to be UTF-8"}, {"\xfe\xff", "UTF-16 text; it has to be UTF-8"}, {"BEGIN:VCARD", "an address book"},
	} {
		if len(b) >= len(k.start) && strings.EqualFold(string(b[:len(k.start)]), k.start) {
			return k.what
		}
	}
	if bytes.IndexByte(b, 0) >= 0 {
		return "binary data"
	}
	return "something else"
}

// reader holds what one Read has found so far.
type reader struct {
	o         Options
	from, to  int64      // the range, as instants
	zone      *zone.Zone // for floating and all-day events
	utc       *zone.Zone
	name      string
	nameRank  int
	calendars []calendarInfo
	zones     map[string]zoneResult // by VTIMEZONE text, or by name
	zoneWork  recur.Budget
	pool      int // of work, left of bodyWork
	records   []record
	heads     map[uint64]int32 // the last record of each UID, by its hash; earlier ones are chained
	seed      maphash.Seed
	problems  []lineProblem
	untold    int
	found     []instance
	scratch   []dated  // see expansion.instances
	events    []*event // what found refers to
	heavy     int
	prop      scan.Prop
	decoder   decoder
	work      recur.Budget
}

// calendarInfo is what a VCALENDAR says for all its events.
type calendarInfo struct {
	line     int
	request  bool                // METHOD:REQUEST
	cancel   bool                // METHOD:CANCEL
	floating string              // X-WR-TIMEZONE
	zones    map[string]zoneText // its VTIMEZONEs, by TZID and by its foldKey; the first of several counts
	byID     map[string]zoneResult
}

type zoneText struct {
	text []byte
	line int
}

type lineProblem struct {
	line int
	Problem
}

func newReader(o Options) *reader {
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	r := &reader{o: o, from: clampUnix(o.From), to: clampUnix(o.To), zone: zone.Of(o.Zone), utc: zone.UTC(), zones: map[string]zoneResult{},
		zoneWork: recur.Budget{Left: zonesWork}, pool: bodyWork, seed: maphash.MakeSeed()}
	return r
}

// expect makes room for n events, so that a large feed does not leave the memory of several smaller tables behind.
func (r *reader) expect(n int) {
	r.records, r.heads, r.found = make([]record, 0, n), make(map[uint64]int32, n), make([]instance, 0, min(n, maxTotal))
}

// clampUnix keeps a range inside what iCalendar can write.
func clampUnix(t time.Time) int64 {
	return min(max(t.Unix(), -62135596800), 253402300800)
}

// Calendar, Property, Zone, Event and Fault make reader a [scan.Handler].
func (r *reader) Calendar(line int) { r.calendars = append(r.calendars, calendarInfo{line: line}) }

// Property reads what a VCALENDAR says about itself.
func (r *reader) Property(raw []byte, _ int) {
	c := &r.calendars[len(r.calendars)-1]
	if len(raw) > 1000 || r.prop.Split(raw) != nil {
		return
	}
	p := &r.prop
	switch {
	case p.Is("METHOD"):
		method := strings.ToUpper(trimmed(p.Value))
		c.cancel, c.request = method == "CANCEL", method == "REQUEST"
	case p.Is("X-WR-TIMEZONE"):
		c.floating = strings.TrimSpace(scan.Text(p.Value))
	case p.Is("NAME") && r.nameRank < 2:
		r.name, r.nameRank = scan.Text(p.Value), 2
	case p.Is("X-WR-CALNAME") && r.nameRank < 1:
		r.name, r.nameRank = scan.Text(p.Value), 1
	}
}

// Zone keeps a VTIMEZONE until an event names it.
func (r *reader) Zone(text []byte, line int) {
	c := &r.calendars[len(r.calendars)-1]
	if c.zones == nil {
		c.zones = map[string]zoneText{}
	}
	id := strings.TrimSpace(zone.ID(text, line))
	for _, key := range []string{id, foldKey(id)} {
		if _, had := c.zones[key]; !had {
			c.zones[key] = zoneText{text, line}
		}
	}
}

// foldKey is the key of a zone whose letter case does not count. No TZID begins with a NUL.
func foldKey(id string) string { return "\x00" + strings.ToLower(id) }

// Fault tells of something wrong beside the events.
func (r *reader) Fault(line int, what string) { r.problem(line, "", what) }

// problem notes that something is wrong with an event, or with the body at a line.
func (r *reader) problem(line int, uid, what string) {
	if len(r.problems) >= maxProblems && line > 0 {
		r.untold++
		return
	}
	where := fmt.Sprintf("line %d", line)
	switch {
	case line == 0:
		where = "the body"
	case uid != "":
		where = fmt.Sprintf("%s, line %d", cutShort(uid, 120), line)
	}
	r.problems = append(r.problems, lineProblem{line, Problem{where, cleanLine(what)}})
}

// told returns the problems in the order of the body.
func (r *reader) told() []Problem {
	slices.SortStableFunc(r.problems, func(a, b lineProblem) int { return a.line - b.line })
	var out []Problem
	for _, p := range r.problems {
		out = append(out, p.Problem)
	}
	if r.untold > 0 {
		out = append(out, Problem{"the body", fmt.Sprintf("%d more problems are not listed", r.untold)})
	}
	return out
}

func cutShort(s string, n int) string {
	if len(s) > n {
		return strings.ToValidUTF8(s[:n], "") + "..."
	}
	return s
}

// zoneResult is a zone, or why there is none.
type zoneResult struct {
	zone *zone.Zone
	err  error
}

// zoneOf resolves a TZID within a VCALENDAR: its own VTIMEZONE first, then the name. A VTIMEZONE that cannot be evaluated
// is told, and counts as absent.
func (r *reader) zoneOf(calendar int, tzid string) (*zone.Zone, error) {
	c := &r.calendars[calendar]
	tzid = strings.TrimSpace(tzid)
	if res, ok := c.byID[tzid]; ok {
		return res.zone, res.err
	}
	var res zoneResult
	t, ok := c.zones[tzid]
	if !ok {
		t, ok = c.zones[foldKey(tzid)]
	}
	if ok {
		res = r.cached(string(t.text), func() (*zone.Zone, error) { return zone.Parse(t.text, t.line, &r.zoneWork) })
		if res.err != nil {
			r.problem(t.line, "", fmt.Sprintf("the VTIMEZONE %q cannot be used: %v", cutShort(tzid, 80), res.err))
		}
	}
	if res.zone == nil {
		res = r.cached("\x00"+tzid, func() (*zone.Zone, error) { return zone.Named(tzid) })
	}
	if c.byID == nil {
		c.byID = map[string]zoneResult{}
	}
	c.byID[tzid] = res
	return res.zone, res.err
}

func (r *reader) cached(key string, load func() (*zone.Zone, error)) zoneResult {
	res, ok := r.zones[key]
	if !ok {
		if len(r.zones) >= maxZones {
			return zoneResult{err: errZones}
		}
		res.zone, res.err = load()
		r.zones[key] = res
	}
	return res
}

// floating returns the zone of times that name none: the VCALENDAR's X-WR-TIMEZONE where it is known, else the one asked for.
func (r *reader) floating(calendar int) *zone.Zone {
	if name := r.calendars[calendar].floating; name != "" {
		if z, err := r.zoneOf(calendar, name); err == nil {
			return z
		}
	}
	return r.zone
}

// budget is what one more event may cost.
func (r *reader) budget() *recur.Budget {
	r.work.Left = min(eventWork, freeWork+max(r.pool, 0))
	return &r.work
}

// charge takes from the pool what an event cost beyond what is free.
func (r *reader) charge(had int) {
	if used := had - r.work.Left - freeWork; used > 0 {
		r.pool -= used
	}
}

const farPast, farFuture = math.MinInt64 / 4, math.MaxInt64 / 4

var errZones = errors.New("the body names too many time zones")

var errAfterEnd = errors.New("it ends before it starts")
