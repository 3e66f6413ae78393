package calendar

import (
	"errors"
	"time"
)

// An Occurrence is one instance of an event, with the properties that decide what happens in it.
type Occurrence struct {
	UID          string
	RecurrenceID time.Time // the instance's original start, UTC; zero for an event that does not recur and has a UID of its own
	Start, End   time.Time // UTC; End exclusive, equal to Start for a zero-length event
	AllDay       bool
	Summary      string
	Description  string
	Categories   []string
	Resources    []string
	Status       string // lower case; "confirmed" where the event gives none
	Priority     int    // RFC 5545 3.8.1.9: 1 highest, 9 lowest, 0 absent
	Organizer    string // the address, lower case, without mailto:; "" where there is none
	Unanswered   bool   // an invitation that nobody but its organizer has accepted (PARTSTAT=ACCEPTED)
	Sequence     int
	Stamp        time.Time // DTSTAMP; zero where absent
	Line         int       // of BEGIN:VEVENT in the body, from 1
	Rule         string    // what produced it, for people: "single", the RRULE text, "RDATE", "moved by RECURRENCE-ID ..."
	Notes        []string  // what people should know, such as a clock change inside it
	// Refused says why the event must make no window, "" where it may. It is listed so that people see which event it is.
	// Its time zone is unknown, and Start and End are what they would be in the zone of floating times; or it ends before it
	// starts, and the two are swapped; or it came in a message of its own, and a newer revision stands in another.
	Refused string
}

// A Problem is one thing wrong with a body: where (a UID and a line), and what, in one line each.
type Problem struct {
	Where string `json:"where"`
	What  string `json:"what"`
}

// Options say what to read from a body.
type Options struct {
	Zone      *time.Location // for floating and all-day events; nil is UTC
	From, To  time.Time      // occurrences that overlap [From, To); zero-length ones at From or later
	Cancelled bool           // also give cancelled occurrences, with Status "cancelled"
}

// A Result is what a body holds in a range.
type Result struct {
	Name        string       // of the calendar (NAME or X-WR-CALNAME), "" where it has none
	Occurrences []Occurrence // by start, then UID, then recurrence-id
	Problems    []Problem    // in the order of the body
}

// The reasons why a body as a whole cannot be used. They wrap a line that says what to do.
var (
	ErrEmpty       = errors.New("the body is empty")
	ErrNotCalendar = errors.New("the body is no iCalendar data")
	ErrTruncated   = errors.New("the body ends before END:VCALENDAR")
)
