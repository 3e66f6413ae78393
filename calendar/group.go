package calendar

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"spillway/calendar/civil"
	"spillway/calendar/recur"
	"spillway/calendar/scan"
)

// A group is what the body says about one UID: the newest revision of the event itself, and its overrides.
type group struct {
	master    *record
	dated     *record   // the newest revision that has a DTSTART: a cancellation may lack it
	overrides []*record // in the order of the body
	older     []*record // revisions that came in messages of their own; see supersede
	tied      []*record // as new as master: nothing says which of them is in force, so they are events of their own
}

// compare orders revisions: by SEQUENCE, then DTSTAMP (RFC 5546 2.1.4, 2.1.5).
func compare(a, b *record) int {
	return cmp.Or(cmp.Compare(a.sequence, b.sequence), cmp.Compare(a.stamp, b.stamp))
}

// expandAll goes through the UIDs in the order in which they last appear, so that the same body gives the same result.
func (r *reader) expandAll() {
	var g group
	for i := range r.records {
		if !r.records[i].last {
			continue
		}
		g = group{overrides: g.overrides[:0]}
		for j := int32(i); j >= 0; j = r.records[j].before {
			r.enter(&g, &r.records[j])
		}
		slices.Reverse(g.overrides)
		if g.matters() {
			r.expandGroup(&g)
		}
	}
}

// enter takes a record into its group. Records come last first.
func (r *reader) enter(g *group, rec *record) {
	if rec.override {
		g.overrides = append(g.overrides, rec)
		return
	}
	if rec.hasStart && (g.dated == nil || compare(rec, g.dated) > 0) {
		g.dated = rec
	}
	older := rec
	switch {
	case g.master == nil:
		g.master = rec
		return
	case compare(rec, g.master) == 0:
		g.tied = append(g.tied, rec)
		return
	case compare(rec, g.master) > 0:
		older, g.master, g.tied = g.master, rec, nil
	}
	if r.supersede(older, g.master) {
		g.older = append(g.older, older)
	}
}

// supersede reports whether older is an earlier message of a stream of invitations: a VCALENDAR of its own, with
// METHOD:REQUEST. Every reference program lists those, so they are listed here, refused: what is in force is newest.
func (r *reader) supersede(older, newest *record) bool {
	return older.touches && older.calendar != newest.calendar && r.calendars[older.calendar].request
}

// matters reports whether anything of g may fall into the range.
func (g *group) matters() bool {
	touches := func(o *record) bool { return o.touches }
	return g.master != nil && g.master.touches || len(g.older) > 0 || g.shifts() ||
		slices.ContainsFunc(g.tied, touches) || slices.ContainsFunc(g.overrides, touches)
}

// shifts reports whether an override moves all later instances, so that those far from the range may come into it.
func (g *group) shifts() bool {
	return slices.ContainsFunc(g.overrides, func(o *record) bool { return o.future })
}

// expandGroup adds to found what g yields in the range, and bounds it.
func (r *reader) expandGroup(g *group) {
	if len(r.found) >= maxTotal {
		r.leaveOut(g.first(), errBody)
		return
	}
	budget := r.budget()
	x := expansion{reader: r, budget: budget, before: len(r.found)}
	had := budget.Left
	err := x.expand(g)
	r.charge(had)
	n := len(r.found) - x.before
	switch heavy := n > lightYield; {
	case err != nil:
	case heavy && r.heavy+n > maxHeavy, len(r.found) > maxTotal:
		err = errBody
	case heavy:
		r.heavy += n
	}
	if err != nil {
		r.found = r.found[:x.before]
		r.leaveOut(g.first(), err)
	}
}

var errBody = errors.New("the events of the body yield too many occurrences in the range")

// first returns the record that stands for g in a message.
func (g *group) first() *record {
	if g.master != nil {
		return g.master
	}
	return g.overrides[0]
}

func (r *reader) leaveOut(rec *record, err error) {
	r.problem(int(rec.line), strings.TrimSpace(scan.Text(rec.uid)), "the event is left out: "+err.Error())
}

// isCancelled reports whether rec takes its event back.
func (r *reader) isCancelled(rec *record) bool {
	return rec.cancelled || r.calendars[rec.calendar].cancel
}

// expand yields what the group holds. Errors of one component are told, and cost that component; the error is the group's.
func (x *expansion) expand(g *group) error {
	var master *event
	reach := int64(0)
	gone := g.master != nil && (x.isCancelled(g.master) || slices.ContainsFunc(g.tied, x.isCancelled))
	x.tied = len(g.tied) > 0
	rec := g.master
	if gone && x.o.Cancelled && !rec.hasStart && g.dated != nil {
		rec = g.dated
	}
	if rec != nil && (rec.touches || g.shifts()) && (!gone || x.o.Cancelled) {
		e, err := x.decode(rec)
		switch {
		case err != nil:
			x.leaveOut(rec, err)
		case gone:
			e.status = "cancelled"
			fallthrough
		default:
			master, reach = e, e.longest()
		}
	}
	x.decodeOverrides(g, master, reach, gone)
	if master != nil {
		if master.allDay() {
			for at := range x.instead {
				x.hideDay(master.start.zone.Wall(at).Day())
			}
		}
		if err := x.expandMaster(master); err != nil {
			return err
		}
	}
	if !gone {
		if err := x.expandTied(g); err != nil {
			return err
		}
	}
	for _, o := range x.overrides {
		start := recur.Instance{Wall: o.start.Wall, At: o.start.at}
		if err := x.add(o, start.At, o.endOf(start), o.instead.at, byMove); err != nil {
			return err
		}
	}
	return x.expandOlder(g)
}

// expandTied adds the events that are as new as the master, each once.
func (x *expansion) expandTied(g *group) error {
	for _, rec := range g.tied {
		if !rec.touches {
			continue
		}
		e, err := x.decode(rec)
		if err != nil {
			x.leaveOut(rec, err)
			continue
		}
		if err := x.expandMaster(e); err != nil {
			return err
		}
	}
	if x.tied {
		type same struct {
			start, end int64
			summary    string
		}
		seen := map[same]bool{}
		tail := slices.DeleteFunc(x.found[x.before:], func(in instance) bool {
			k := same{in.start, in.end, x.events[in.event].summary}
			had := seen[k]
			seen[k] = true
			return had
		})
		x.found = x.found[:x.before+len(tail)]
	}
	return nil
}

// expandOlder lists superseded revisions.
func (x *expansion) expandOlder(g *group) error {
	x.instead, x.days, x.futures = nil, nil, nil
	for _, rec := range g.older {
		e, err := x.decode(rec)
		if err != nil {
			x.leaveOut(rec, err)
			continue
		}
		e.refused = fmt.Sprintf("a newer revision of it stands in line %d", g.master.line)
		if err := x.expandMaster(e); err != nil {
			return err
		}
	}
	return nil
}

// decodeOverrides reads those overrides that may matter: by their own time, by that of the instance they replace, or
// because they move all later ones. With a cancelled master those go that are not newer.
func (x *expansion) decodeOverrides(g *group, master *event, reach int64, gone bool) {
	if len(g.overrides) == 0 {
		return
	}
	x.instead = map[int64]bool{}
	all := g.shifts()
	newest := map[int64]int{} // by RECURRENCE-ID: index into overrides
	revisions := map[int64]*record{}
	for _, rec := range g.overrides {
		near := master != nil && (all || int64(rec.moved) > x.from-reach-slack && int64(rec.moved) < x.to+slack)
		if !rec.touches && !near {
			continue
		}
		o, err := x.decode(rec)
		if err != nil {
			x.leaveOut(rec, err)
		}
		if !o.moves {
			continue
		}
		x.hide(o)
		if err != nil {
			continue // what it would have changed is not known: the instance it replaces stays away
		}
		if gone && rec.sequence <= g.master.sequence {
			o.status = "cancelled"
		}
		if i, ok := newest[o.instead.at]; !ok {
			newest[o.instead.at] = len(x.overrides)
			x.overrides = append(x.overrides, o)
		} else if compare(rec, revisions[o.instead.at]) >= 0 {
			x.overrides[i] = o
		} else {
			continue
		}
		revisions[o.instead.at] = rec
	}
	for _, o := range x.overrides {
		if o.future {
			x.futures = append(x.futures, o)
		}
	}
	slices.SortFunc(x.futures, func(a, b *event) int { return cmp.Compare(a.instead.at, b.instead.at) })
}

// hide takes the instance that o replaces from the master.
func (x *expansion) hide(o *event) {
	x.instead[o.instead.at] = true
	if o.instead.Form == civil.DateOnly {
		x.hideDay(o.instead.Wall.Day())
	}
}

func (x *expansion) hideDay(d civil.Day) {
	if x.days == nil {
		x.days = map[civil.Day]bool{}
	}
	x.days[d] = true
}
