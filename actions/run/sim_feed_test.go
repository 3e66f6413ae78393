package run

import (
	"slices"
	"time"

	"spillway/actions"
)

const feedName = "house"

// A calendar is the feed of the simulation: it is edited, and it fails in the ways that feeds do.
type calendar struct {
	*world
	now    edition          // what it holds
	before edition          // before the last edit: what a cache may still serve
	saved  *edition         // the program's last good copy, on its disk
	older  *edition         // and the one before, which a power cut may bring back
	mode   feedMode         // how it answers
	until  time.Time        // till when; well after that
	told   []actions.Window // of an edition that begins at toldOf: those of its windows that mask says
	toldOf *actions.Window
	mask   uint64
}

// An edition is what a calendar holds at one time. It is not changed afterwards.
type edition struct {
	windows   []actions.Window
	cancelled []string
}

func (e edition) clone() edition {
	return edition{slices.Clone(e.windows), slices.Clone(e.cancelled)}
}

type feedMode string

const (
	well    feedMode = ""
	failing feedMode = "answers 500" // as far as the program is concerned: also 404, HTML, no bytes, cut off
	emptied feedMode = "holds no event"
	flaps   feedMode = "flaps between two versions"
)

func newCalendar(w *world) *calendar {
	e := edition{windows: slices.Clone(w.windows)}
	return &calendar{world: w, now: e, before: e}
}

// begin starts the polls of a program: its last good copy first, then one after the other.
func (c *calendar) begin() {
	if c.saved != nil {
		e := *c.saved
		c.in(c.latency(20), func() []Event { return []Event{c.polled(e, true)} })
	}
	c.pollIn(c.latency(500))
}

func (c *calendar) latency(ms int) time.Duration {
	return time.Duration(1+c.r.IntN(ms)) * time.Millisecond
}

func (c *calendar) pollIn(d time.Duration) {
	c.in(d, func() []Event {
		took := c.latency(1500)
		mode := c.mode
		if !c.t.Before(c.until) {
			mode = well
		}
		e := c.now
		switch {
		case mode == flaps && c.r.IntN(2) == 0:
			e = c.before
		case mode == emptied:
			e = edition{}
		}
		c.in(took, func() []Event {
			c.pollIn(c.poll)
			if mode == failing {
				return []Event{Polled{Feed: feedName, Trouble: "answers 500"}}
			}
			p := c.polled(e, false)
			if mode == emptied {
				p.Events = 0
			}
			// The copy on disk is not given up for a sudden nothing either.
			if c.saved == nil || p.Events > 0 || len(c.saved.windows)+len(c.saved.cancelled)+c.others <= manyEvents {
				c.older, c.saved = c.saved, &e
			}
			return []Event{p}
		})
		return nil
	})
}

// polled is what the program is told of an edition.
func (c *calendar) polled(e edition, saved bool) Polled {
	p := Polled{Feed: feedName, Good: true, Saved: saved, Cancelled: e.cancelled, Events: len(e.windows) + len(e.cancelled) + c.others}
	if len(e.windows) == 0 {
		return p
	}
	if len(e.windows) > 64 {
		panic("more windows than bits")
	}
	mask := uint64(0)
	from, to := c.wall().Add(-24*time.Hour), c.wall().Add(48*time.Hour)
	for i := range e.windows {
		if w := &e.windows[i]; w.End.After(from) && w.Start.Before(to) {
			mask |= 1 << i
		}
	}
	if c.toldOf != &e.windows[0] || c.mask != mask {
		c.told, c.toldOf, c.mask = nil, &e.windows[0], mask
		for i := range e.windows {
			if mask&(1<<i) != 0 {
				c.told = append(c.told, e.windows[i])
			}
		}
	}
	p.Windows = c.told
	return p
}

// edit changes the calendar. change returns false where it has nothing to change.
func (c *calendar) edit(uid string, change func(*actions.Window) (keep bool)) {
	next := c.now.clone()
	i := slices.IndexFunc(next.windows, func(w actions.Window) bool { return w.UID == uid })
	if i < 0 {
		return
	}
	w := next.windows[i]
	if change(&w) {
		next.windows[i] = w
	} else {
		next.windows = slices.Delete(next.windows, i, i+1)
	}
	c.before, c.now = c.now, next
}

// cancel gives an event STATUS:CANCELLED.
func (c *calendar) cancel(uid string) {
	c.edit(uid, func(w *actions.Window) bool { return false })
	if id := actions.WindowID(uid, time.Time{}); !slices.Contains(c.now.cancelled, id) {
		c.now.cancelled = append(slices.Clone(c.now.cancelled), id)
	}
}

// put adds an event, again or for the first time.
func (c *calendar) put(w actions.Window) {
	next := c.now.clone()
	next.windows = slices.DeleteFunc(next.windows, func(o actions.Window) bool { return o.UID == w.UID })
	next.cancelled = slices.DeleteFunc(next.cancelled, func(id string) bool { return id == w.ID })
	next.windows = append(next.windows, w)
	c.before, c.now = c.now, next
}
