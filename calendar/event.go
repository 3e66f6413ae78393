package calendar

import (
	"time"

	"spillway/calendar/civil"
	"spillway/calendar/recur"
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
