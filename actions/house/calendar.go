package house

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"io"
	"net/http"
	"slices"
	"sync"
	"time"

	ics "github.com/arran4/golang-ical"
)

// An Event stands in the simulated calendar. Times are written in the premises' zone; Rule is an RRULE, "" for none.
type Event struct {
	UID         string
	Title       string
	Description string
	Categories  []string
	Start, End  time.Time
	Rule        string
	Priority    int // RFC 5545 3.8.1.9; 0 writes none
	Cancelled   bool

	sequence int
	changed  time.Time
}

// An Answering is how the calendar's server answers.
type Answering string

// The ways of answering: as it should, and the ways in which feeds fail.
const (
	Well    Answering = "well"
	Failing Answering = "500"
	Missing Answering = "404"
	Page    Answering = "html"    // 200, and a page that asks for a password
	Nothing Answering = "nothing" // 200, and no bytes
	CutOff  Answering = "cut off" // 200, and the body ends in the middle
)

// A Calendar is served over HTTP with an ETag, and can be edited while it is. It is safe for concurrent use.
type Calendar struct {
	zone *time.Location
	now  func() time.Time

	mu        sync.Mutex
	events    []Event
	answering Answering
	polls     int
	unchanged int
}

func newCalendar(zone *time.Location, now func() time.Time, events []Event) *Calendar {
	c := &Calendar{zone: zone, now: now, answering: Well}
	for _, e := range events {
		c.Put(e)
	}
	return c
}

// Put adds an event, or replaces the one with its UID and raises its SEQUENCE.
func (c *Calendar) Put(e Event) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.put(e)
}

func (c *Calendar) put(e Event) {
	e.changed = c.now()
	for i, old := range c.events {
		if old.UID == e.UID {
			e.sequence = old.sequence + 1
			c.events[i] = e
			return
		}
	}
	c.events = append(c.events, e)
	slices.SortFunc(c.events, func(a, b Event) int { return cmp.Compare(a.UID, b.UID) })
}

// Remove takes an event out. It reports whether there was one.
func (c *Calendar) Remove(uid string) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	n := len(c.events)
	c.events = slices.DeleteFunc(c.events, func(e Event) bool { return e.UID == uid })
	return len(c.events) < n
}

// Edit changes an event in place, as a person would in a calendar program. It reports whether there was one. Change must
// not call the calendar.
func (c *Calendar) Edit(uid string, change func(*Event)) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	i := slices.IndexFunc(c.events, func(e Event) bool { return e.UID == uid })
	if i < 0 {
		return false
	}
	e := c.events[i]
	change(&e)
	e.UID = uid
	c.put(e)
	return true
}

// Move gives an event another time. It reports whether there was one.
func (c *Calendar) Move(uid string, start, end time.Time) bool {
	return c.Edit(uid, func(e *Event) { e.Start, e.End = start, end })
}

// Answer sets how the server answers from now on.
func (c *Calendar) Answer(how Answering) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.answering = how
}

// Polls returns how often the calendar was asked for, and how often "not modified" was the answer.
func (c *Calendar) Polls() (all, unchanged int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.polls, c.unchanged
}

// Text returns the calendar as iCalendar data (RFC 5545). It is the same until an event changes.
func (c *Calendar) Text() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.text()
}

func (c *Calendar) text() string {
	cal := ics.NewCalendar()
	cal.SetProductId("-//Quillmere//House calendar//EN")
	cal.SetName("Quillmere")
	cal.AddVTimezone(britishTime())
	local := func(t time.Time) string { return t.In(c.zone).Format("20060102T150405") }
	for _, e := range c.events {
		ev := cal.AddEvent(e.UID)
		ev.SetDtStampTime(e.changed)
		ev.SetModifiedAt(e.changed)
		ev.SetSequence(e.sequence)
		ev.SetSummary(e.Title)
		ev.SetProperty(ics.ComponentPropertyDtStart, local(e.Start), ics.WithTZID(Zone))
		ev.SetProperty(ics.ComponentPropertyDtEnd, local(e.End), ics.WithTZID(Zone))
		if e.Rule != "" {
			ev.AddRrule(e.Rule)
		}
		if e.Description != "" {
			ev.SetDescription(e.Description)
		}
		for _, category := range e.Categories {
			ev.AddCategory(category)
		}
		if e.Priority > 0 {
			ev.SetPriority(e.Priority)
		}
		if e.Cancelled {
			ev.SetStatus(ics.ObjectStatusCancelled)
		}
	}
	return cal.Serialize(ics.WithNewLineWindows)
}

// britishTime is the rule of Europe/London since 1996. A TZID must have its VTIMEZONE beside it (RFC 5545 3.2.19).
func britishTime() *ics.VTimezone {
	zone := ics.NewTimezone(Zone)
	summer, winter := &ics.Daylight{}, zone.AddStandard()
	zone.Components = append(zone.Components, summer)
	for _, p := range []struct{ name, summer, winter string }{
		{"TZNAME", "BST", "GMT"},
		{"DTSTART", "19960331T010000", "19961027T020000"},
		{"RRULE", "FREQ=YEARLY;BYMONTH=3;BYDAY=-1SU", "FREQ=YEARLY;BYMONTH=10;BYDAY=-1SU"},
		{"TZOFFSETFROM", "+0000", "+0100"},
		{"TZOFFSETTO", "+0100", "+0000"},
	} {
		summer.SetProperty(ics.ComponentProperty(p.name), p.summer)
		winter.SetProperty(ics.ComponentProperty(p.name), p.winter)
	}
	return zone
}

// ServeHTTP answers a poll.
func (c *Calendar) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		http.Error(w, "only GET", http.StatusMethodNotAllowed)
		return
	}
	c.mu.Lock()
	c.polls++
	how, text := c.answering, c.text()
	sum := sha256.Sum256([]byte(text))
	tag := `"` + hex.EncodeToString(sum[:8]) + `"`
	same := how == Well && r.Header.Get("If-None-Match") == tag
	if same {
		c.unchanged++
	}
	c.mu.Unlock()

	switch how {
	case Failing:
		http.Error(w, "the calendar is having a rest", http.StatusInternalServerError)
		return
	case Missing:
		http.NotFound(w, r)
		return
	case Page:
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		_, _ = io.WriteString(w, "<!doctype html><title>Sign in</title><p>Please sign in to see this calendar.</p>\n")
		return
	case Nothing:
		text = ""
	case CutOff:
		text = text[:len(text)*2/3]
	}
	w.Header().Set("Content-Type", "text/calendar; charset=utf-8")
	if how == Well {
		w.Header().Set("ETag", tag)
	}
	if same {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	_, _ = io.WriteString(w, text) // a client that went away needs no answer
}
