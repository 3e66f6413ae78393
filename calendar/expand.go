package calendar

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"sort"
	"strings"
	"time"

	"spillway/calendar/civil"
	"spillway/calendar/recur"
)

// An instance is one occurrence, as little as is needed to sort and count it.
type instance struct {
	start, end int64
	id         int64 // RECURRENCE-ID as an instant; noID for an event that does not recur
	event      int32 // in reader.events
	made       made
}

const noID = farPast

// maxInstances is how many instances of one event are looked at, before exceptions and overrides.
const maxInstances = 200_000

var errTooMany = fmt.Errorf("it yields more than %d occurrences in the range", maxPerEvent)

// made says what an instance comes from.
type made uint8

const (
	bySingle made = iota
	byRule
	byStart
	byDate
	byMove
	byFuture
)

// expansion is the work on one UID.
type expansion struct {
	*reader
	budget    *recur.Budget
	before    int // instances found earlier
	overrides []*event
	futures   []*event // overrides with RANGE=THISANDFUTURE, by RECURRENCE-ID
	instead   map[int64]bool
	days      map[civil.Day]bool // of overrides whose RECURRENCE-ID is a DATE, or whose master starts on one
	tied      bool               // several events share the UID
}

// add notes an instance if it is in the range and not cancelled (or cancelled ones are asked for).
func (x *expansion) add(e *event, start, end, id int64, m made) error {
	if start >= x.to || end <= x.from && (end > start || start < x.from) {
		return nil
	}
	if e.status == "cancelled" && !x.o.Cancelled {
		return nil
	}
	if len(x.found)-x.before >= maxPerEvent {
		return errTooMany
	}
	if e.index == 0 {
		x.events = append(x.events, e)
		e.index = int32(len(x.events))
	}
	x.found = append(x.found, instance{start, end, id, e.index - 1, m})
	return nil
}

// expandMaster yields the instances of the master that no override takes the place of.
func (x *expansion) expandMaster(e *event) error {
	if !e.recurs() {
		start := recur.Instance{Wall: e.start.Wall, At: e.start.at}
		if x.excluded(e, nil, start.At) || x.replaced(e, start.At) {
			return nil
		}
		id := int64(noID)
		if x.tied || e.uid == "" {
			id = start.At
		}
		return x.add(e, start.At, e.endOf(start), id, bySingle)
	}
	instances, err := x.instances(e)
	if err != nil {
		return err
	}
	exceptions, err := x.exceptions(e)
	if err != nil {
		return err
	}
	last := int64(farPast)
	for _, in := range instances {
		if in.At == last || x.excluded(e, exceptions, in.At) || x.replaced(e, in.At) {
			continue
		}
		last = in.At
		if err := x.place(e, in); err != nil {
			return err
		}
	}
	return nil
}

// a dated is an instance of a master before overrides.
type dated struct {
	recur.Instance
	end  int64
	ends bool
	made made
}

// instances returns the master's instances that may fall into the range, by start. What it returns is good until the next
// call.
func (x *expansion) instances(e *event) ([]dated, error) {
	reach := e.longest() + x.farthestShift()
	from, to := x.from-reach, x.to+x.farthestShift()
	out := x.scratch[:0]
	defer func() { x.scratch = out }()
	start := recur.Instance{Wall: e.start.Wall, At: e.start.at}
	for i := range e.rules {
		err := e.rules[i].Expand(start, e.allDay(), e.start.zone, from, to, x.budget, func(in recur.Instance) bool {
			out = append(out, dated{Instance: in, made: byRule})
			return len(out) <= maxInstances
		})
		switch {
		case errors.Is(err, recur.ErrBudget):
			return nil, err
		case err != nil:
			x.problem(e.line, e.uid, "its rule is left out: "+err.Error())
			out = append(out, dated{Instance: start, made: bySingle})
		case len(out) > maxInstances:
			return nil, errTooMany
		}
	}
	if len(e.rules) == 0 {
		out = append(out, dated{Instance: start, made: byStart})
	}
	for _, p := range e.also {
		if p.in.At >= from && p.in.At < to {
			out = append(out, dated{p.in, p.end, p.ends, byDate})
		}
	}
	byTime := func(a, b dated) int { return cmp.Compare(a.At, b.At) }
	if !slices.IsSortedFunc(out, byTime) {
		slices.SortStableFunc(out, byTime)
	}
	return out, nil
}

// exceptions returns the instants that the event's EXRULEs exclude, sorted.
func (x *expansion) exceptions(e *event) ([]int64, error) {
	var out []int64
	reach := e.longest() + x.farthestShift()
	for i := range e.exceptRules {
		err := e.exceptRules[i].Expand(recur.Instance{Wall: e.start.Wall, At: e.start.at}, e.allDay(), e.start.zone,
			x.from-reach, x.to+reach, x.budget, func(in recur.Instance) bool {
				out = append(out, in.At)
				return len(out) < maxInstances
			})
		if err != nil {
			return nil, err
		}
	}
	slices.Sort(out)
	return out, nil
}

// excluded reports whether EXDATE or EXRULE takes the instance away. An EXDATE that is a DATE takes all of that day.
func (x *expansion) excluded(e *event, exceptions []int64, at int64) bool {
	if len(e.except) > 0 && holds(e.except, at) || len(exceptions) > 0 && holds(exceptions, at) {
		return true
	}
	return len(e.exceptDays) > 0 && holds(e.exceptDays, e.start.zone.Wall(at).Day())
}

func holds[T cmp.Ordered](sorted []T, v T) bool {
	_, ok := slices.BinarySearch(sorted, v)
	return ok
}

// replaced reports whether an override takes the place of the instance.
func (x *expansion) replaced(e *event, at int64) bool {
	return x.instead[at] || len(x.days) > 0 && x.days[e.start.zone.Wall(at).Day()]
}

// place adds an instance of the master, moved by the last override with RANGE=THISANDFUTURE before it.
func (x *expansion) place(e *event, in dated) error {
	n := sort.Search(len(x.futures), func(i int) bool { return x.futures[i].instead.at > in.At })
	if n == 0 {
		end := in.end
		if !in.ends {
			end = e.endOf(in.Instance)
		}
		return x.add(e, in.At, end, in.At, in.made)
	}
	f := x.futures[n-1]
	// The shift is the override's, on the wall clock of its own zone (RFC 5545 3.8.4.4).
	z := f.start.zone
	wall := z.Wall(in.At) + f.start.Wall - z.Wall(f.instead.at)
	moved := recur.Instance{Wall: wall, At: z.Instant(wall)}
	return x.add(f, moved.At, f.endOf(moved), in.At, byFuture)
}

// farthestShift is how far an override with RANGE=THISANDFUTURE moves instances, in seconds.
func (x *expansion) farthestShift() int64 {
	n := int64(0)
	for _, f := range x.futures {
		d := f.start.at - f.instead.at
		n = max(n, d, -d) + f.longest()
	}
	return n
}

// occurrences turns what was found into the result.
func (r *reader) occurrences() []Occurrence {
	order := r.found
	slices.SortFunc(order, func(a, b instance) int {
		if c := cmp.Compare(a.start, b.start); c != 0 {
			return c
		}
		return cmp.Or(strings.Compare(r.events[a.event].uid, r.events[b.event].uid), cmp.Compare(a.id, b.id), cmp.Compare(a.event, b.event))
	})
	if len(order) == 0 {
		return nil
	}
	out := make([]Occurrence, len(order))
	for i, in := range order {
		r.describe(&out[i], in)
	}
	return out
}

// describe fills in an occurrence.
func (r *reader) describe(o *Occurrence, in instance) {
	e := r.events[in.event]
	*o = Occurrence{UID: e.uid, Start: utc(in.start), End: utc(in.end), AllDay: e.allDay(), Summary: e.summary,
		Description: e.description, Categories: e.categories, Resources: e.resources, Status: e.status, Priority: e.priority,
		Organizer: e.organizer, Unanswered: e.unanswered, Sequence: int(e.sequence), Stamp: e.stamp, Line: e.line, Refused: e.refused}
	if in.id != noID {
		o.RecurrenceID = utc(in.id)
	}
	switch in.made {
	case bySingle:
		o.Rule = "single"
	case byRule:
		o.Rule = e.ruleText
	case byStart:
		o.Rule = "DTSTART"
	case byDate:
		o.Rule = "RDATE"
	case byMove:
		o.Rule = "moved by RECURRENCE-ID " + o.RecurrenceID.Format(time.RFC3339)
		if in.id == in.start {
			o.Rule = "changed by RECURRENCE-ID " + o.RecurrenceID.Format(time.RFC3339)
		}
	case byFuture:
		o.Rule = "moved by RECURRENCE-ID;RANGE=THISANDFUTURE " + utc(e.instead.at).Format(time.RFC3339)
	}
	if shift := e.start.zone.Changes(in.start, in.end); shift != 0 {
		o.Notes = append(o.Notes, changeNote(shift, in.end-in.start))
	}
}

func changeNote(shift int, length int64) string {
	way, by := "forward", time.Duration(shift)*time.Second
	if shift < 0 {
		way, by = "back", -by
	}
	return fmt.Sprintf("the clock goes %s by %s in it: it lasts %s", way, by, time.Duration(length)*time.Second)
}

func utc(at int64) time.Time { return time.Unix(at, 0).UTC() }
