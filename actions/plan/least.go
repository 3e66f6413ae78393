package plan

import (
	"slices"
	"time"

	"spillway/actions"
	"spillway/actions/statement"
)

// Least times keep compressors and relays from short cycles. They are promises to a device, point by point of those that
// draw, from command to command:
//
//   - min_on: what is begun draws at least that long. What could not, because its hold ends or another stops it sooner, is
//     not begun at all.
//   - min_off: what stopped is not started again sooner, whichever window stopped it; the start is put off.
//   - min_hold: a value that was set is kept that long before a higher one, or the next start, is; that is put off.
//
// What lowers a draw, the end of a hold and every return to a normal always go on time: the limit and the window come
// first. Where that breaks a least time it is said.

// A stay lets a point keep the value it has, against what a hold asks for.
type stay struct {
	hold     *hold
	from, to time.Time
	value    actions.Value
	why      leastTime
	room     time.Duration // min_on: how long it could have run
}

// A leastTime is the name of one, as it is configured.
type leastTime string

const (
	minOn   leastTime = "min_on"
	minOff  leastTime = "min_off"
	minHold leastTime = "min_hold"
)

const (
	// queued is what the queue of a link may take from a run that is begun all the same: its hold gave it long enough.
	queued = time.Minute
	// mostStays bounds how often the commands are put in order anew for stays; they settle in two or three.
	mostStays = 8
)

// hasLeast reports whether the device of a line asks for any least time of a point that draws.
func (l *line) hasLeast() bool {
	if l.dev.MinOn <= 0 && l.dev.MinOff <= 0 && l.dev.MinHold <= 0 {
		return false
	}
	_, draws := l.p.premises.DrawW(l.dev, l.pt, actions.Value{})
	return draws
}

// least returns the device's least time by name.
func (l *line) least(t leastTime) time.Duration {
	switch t {
	case minOn:
		return l.dev.MinOn
	case minOff:
		return l.dev.MinOff
	}
	return l.dev.MinHold
}

// build works out every line anew, and the order and times of the commands on every link, so that least times are kept.
func (p *planner) build() {
	p.forgetChanges()
	for _, l := range p.order {
		l.stays = l.stays[:0]
		l.build()
	}
	p.arrange()
	for range mostStays {
		if !p.keepLeast() {
			return
		}
		p.arrange()
	}
}

// arrange puts the commands of the lines in order.
func (p *planner) arrange() {
	p.changes = slices.Grow(p.changes[:0], 2*p.claims)
	for _, l := range p.order {
		if slices.ContainsFunc(l.changes, func(c *change) bool { return c.drop != kept }) {
			l.build()
		}
		l.renew()
		p.changes = append(append(p.changes, l.changes...), l.renewals...)
	}
	p.sequence()
	p.await()
}

// keepLeast gives stays to the lines whose commands break a least time, and reports whether there were any.
func (p *planner) keepLeast() (any bool) {
	for _, l := range p.order {
		if len(l.holds) == 0 || !l.hasLeast() {
			continue
		}
		was := l.cycleNow()
		for range 2*len(l.changes) + 2*len(l.holds) + 8 {
			s, broken := l.broken(was)
			if !broken {
				break
			}
			l.stays = append(l.stays, s)
			l.build()
			any = true
		}
	}
	return any
}

// A cycle is how far a point is in its running and resting: since when it draws, or does not, and when it was set last.
// A zero time is long ago.
type cycle struct {
	on    bool
	since time.Time
	set   time.Time
}

// cycleNow tells from the standing how far the point is now.
func (l *line) cycleNow() cycle {
	if l.was == nil {
		c := l.lastCycle()
		l.was = &c
	}
	return *l.was
}

func (l *line) lastCycle() (c cycle) {
	on := false
	list := l.p.sentTo(l.ref)
	// A command that is under way, or may have been as the program ended, counts as sent now.
	if s, ok := l.p.Standing.Steps[l.st.Step]; ok && l.st.Owed && s.State == actions.Planned && s.Tries > 0 && s.Step.Point == l.ref {
		s.Sent = l.p.now
		list = append(list, s)
	}
	for _, s := range list {
		if c.set = s.Sent; s.Step.Release && s.Step.Phase == actions.PhaseRestore {
			c.set = time.Time{}
		}
		on = l.p.drawOf(l, s.Step.Value) > 0
		if from := l.p.drawOf(l, s.Step.From) > 0; on != from {
			c.since = s.Sent
		}
	}
	if c.on = l.p.drawOf(l, l.now()) > 0; c.on != on {
		c.since = time.Time{} // it changed by itself, or a person did it: nobody knows when
	}
	return c
}

// now returns what the point has.
func (l *line) now() actions.Value {
	v, _ := l.has(nil)
	if !l.st.Owed {
		if r := l.reading(); r.Known {
			return r
		}
	}
	return v
}

// sendAt returns when the change is sent; while the commands are not in order yet, when it is due.
func (c *change) sendAt() time.Time {
	if c.at.IsZero() {
		return actions.Later(c.due, c.line.p.now)
	}
	return c.at
}

// rules returns the hold whose value the change brings, nil where it gives the point back.
func (c *change) rules() *hold {
	if c.ending {
		return c.under
	}
	return c.hold
}

// broken returns the stay that keeps the first least time which the line's changes break.
func (l *line) broken(was cycle) (s stay, found bool) {
	for i, c := range l.changes {
		if c.drop != kept {
			continue
		}
		at, h := c.sendAt(), c.rules()
		before, after := l.p.drawOf(l, c.from), l.p.drawOf(l, c.value)
		s = stay{hold: h, from: c.due, value: l.meanwhile(c.from)}
		starts := before <= 0 && after > 0
		again := c.sentAgain() // it has begun
		switch {
		case h == nil || after <= before || again:
		case !was.set.IsZero() && at.Before(was.set.Add(l.dev.MinHold)):
			s.to, s.why = was.set.Add(l.dev.MinHold), minHold
			return s, true
		case starts && !was.since.IsZero() && at.Before(was.since.Add(l.dev.MinOff)):
			s.to, s.why = was.since.Add(l.dev.MinOff), minOff
			return s, true
		case starts:
			if end := l.stops(i); !end.IsZero() && end.Sub(c.begins()) < l.dev.MinOn {
				s.to, s.why, s.room = end, minOn, end.Sub(c.begins())
				return s, true
			}
		}
		was = was.after(c)
	}
	return stay{}, false
}

// meanwhile returns what a point that has v is kept at while something else is put off: v, but where that gives back it is over,
// since it would go on past its window or below a floor.
func (l *line) meanwhile(v actions.Value) actions.Value {
	if w, _ := l.p.premises.DrawW(l.dev, l.pt, v); w >= 0 {
		return v
	}
	if w, _ := l.p.premises.DrawW(l.dev, l.pt, l.normal); l.normal.Known && w == 0 {
		return l.normal
	}
	if idle := l.idle(); idle.Known {
		return idle
	}
	return v
}

// after returns how far the point is once c is sent.
func (w cycle) after(c *change) cycle {
	p := c.line.p
	if on := p.drawOf(c.line, c.value) > 0; on != w.on {
		w.on, w.since = on, c.sendAt()
	}
	if w.set = c.sendAt(); c.release && c.phase == actions.PhaseRestore {
		w.set = time.Time{}
	}
	return w
}

// begins returns from when a start counts as running: from when it was due where only the queue of its link held it up.
func (c *change) begins() time.Time {
	if at := c.sendAt(); at.Sub(c.due) > queued || c.due.Before(c.line.p.now) {
		return at
	}
	return c.due
}

// stops returns when the point stops drawing after its i-th change, zero: it does not.
func (l *line) stops(i int) time.Time {
	for _, c := range l.changes[i+1:] {
		if c.drop == kept && l.p.drawOf(l, c.value) <= 0 {
			return c.due
		}
	}
	return time.Time{}
}

// stayAt returns the stay against h at t, nil where there is none. The newest counts.
func (l *line) stayAt(h *hold, t time.Time) *stay {
	for i := len(l.stays) - 1; i >= 0; i-- {
		if s := &l.stays[i]; s.hold == h && !t.Before(s.from) && t.Before(s.to) {
			return s
		}
	}
	return nil
}

// nextChange returns when what h asks for next changes after t, while it rules; zero: it does not.
func (l *line) nextChange(h *hold, t time.Time) time.Time {
	next := l.autoChange(h, t)
	for i := range l.stays {
		s := &l.stays[i]
		if s.hold != h {
			continue
		}
		for _, at := range []time.Time{s.from, s.to} {
			if at.After(t) && (next.IsZero() || at.Before(next)) {
				next = at
			}
		}
	}
	return next
}

// sayLeast says which statements had to give way to least times, and where a return to the normal breaks one.
func (p *planner) sayLeast() {
	for _, l := range p.order {
		if len(l.holds) == 0 || !l.hasLeast() {
			continue
		}
		for i, s := range l.stays {
			never := slices.ContainsFunc(l.stays[i+1:], func(o stay) bool { return o.hold == s.hold && o.why == minOn && o.from.Equal(s.to) })
			if s.hold.to.After(p.now) && s.to.After(p.now) && !never {
				s.hold.win.say(l.stayed(s))
			}
		}
		l.sayRestarts()
	}
}

func (l *line) stayed(s stay) string {
	least := statement.FormatDuration(l.least(s.why))
	switch s.why {
	case minOn:
		return quoted(s.hold.st) + " is not begun: it could run for " + statement.FormatDuration(s.room.Round(time.Second)) + ", and once on it stays on for " +
			least + " (min_on)"
	case minOff:
		return quoted(s.hold.st) + " is put off to " + l.p.clock(s.to) + ": once off it stays off for " + least + " (min_off)"
	}
	return quoted(s.hold.st) + " is put off to " + l.p.clock(s.to) + ": a value that was set stays for " + least + " (min_hold)"
}

// sayRestarts says where the point is given back to a normal that draws sooner than min_off after it was stopped.
func (l *line) sayRestarts() {
	was := l.cycleNow()
	for _, c := range l.changes {
		if c.drop != kept {
			continue
		}
		next := was.after(c)
		if c.rules() == nil && next.on && !was.on && !was.since.IsZero() && c.window != nil {
			if off := c.sendAt().Sub(was.since); off < l.dev.MinOff {
				c.window.say(l.ref.String() + " goes back to " + l.show(c.value) + " at " + l.p.clock(c.at) + ", " + statement.FormatDuration(off.Round(time.Second)) +
					" after it was stopped: sooner than its min_off of " + statement.FormatDuration(l.dev.MinOff) + ", since a restore always goes on time")
			}
		}
		was = next
	}
}
