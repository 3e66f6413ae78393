package plan

import (
	"cmp"
	"slices"
	"time"

	"spillway/actions"
)

// A booking is a command that is to be sent on a link at from, counted from now; the next may go at to.
type booking struct {
	from, to time.Duration
}

// gap returns how long the link is taken by the hold's command before the next may be sent.
func (p *planner) gap(h *hold) time.Duration {
	return max(p.links[h.line.link].Spacing, h.st.Wait)
}

// slot returns how long a lead-in command takes until it counts as done: the greatest of spacing, wait and confirm.
func (p *planner) slot(h *hold) time.Duration {
	return max(p.gap(h), p.links[h.line.link].Confirm)
}

// place works out backwards from the window's start, less the margin, when its lead-ins without from are sent, link by
// link: the last one a slot before the margin, the one before it a slot earlier. A statement whose guard looks at a point
// that an earlier one sets waits for that one even where they are on different links. taken holds the commands that are
// already booked, by link; a slot that meets one of them moves before it. Where sure, it is known which need no command.
func (p *planner) place(w *window, taken [][]booking, sure bool) {
	if len(w.leadIn) == 0 {
		return
	}
	ready := w.start.Add(-p.premises.Margin)
	free := p.free // by link: when what is placed so far begins
	for i := range free {
		free[i] = ready
	}
	var guarded []*hold // of those placed
	for i := len(w.leadIn) - 1; i >= 0; i-- {
		h := w.leadIn[i]
		if !h.live {
			continue
		}
		link := h.line.link
		end := free[link]
		for _, o := range guarded {
			if o.st.Guard.Point == h.line.ref {
				end = actions.Earlier(end, o.from)
			}
		}
		if h.st.Guard != nil {
			guarded = append(guarded, h)
		}
		if sure && h.idle() {
			p.begin(h, end.Add(-p.slot(h)))
			continue
		}
		at := end.Add(-p.slot(h))
		// What has been sent keeps its slot in the sums, and what is late keeps the one it missed: else what is still to go
		// would slip back into it.
		if due, sent := p.hasBegun(h); taken != nil && sent {
			p.book(&taken[link], due, p.gap(h))
		} else if taken != nil {
			at = p.book(&taken[link], at, p.gap(h))
		}
		p.begin(h, at)
		free[link] = h.from
	}
}

// idle reports whether a lead-in needs no command and no slot, because it asks for what the point is at anyway. Where it is
// another hold that makes the command needless the slot is kept, so that weaker windows move nothing.
func (h *hold) idle() bool {
	v := h.line.value(h, h.from)
	return !h.command && v.Known && v == h.line.normal
}

// begin sets a lead-in hold's start. One that was sent keeps the time it was sent for.
func (p *planner) begin(h *hold, at time.Time) {
	if due, ok := p.hasBegun(h); ok {
		at = due
	}
	h.from = at
	if h.st.For > 0 {
		h.to = actions.Earlier(h.win.End.UTC(), at.Add(h.st.For))
		if h.passing {
			h.to = actions.Earlier(h.to, h.win.start)
		}
	}
}

// book finds the latest time at or before at from which the link is free for gap, and takes it.
func (p *planner) book(taken *[]booking, at time.Time, gap time.Duration) time.Time {
	list, from := *taken, at.Sub(p.now)
	i, _ := slices.BinarySearchFunc(list, from+gap, func(b booking, t time.Duration) int { return cmp.Compare(b.from, t) })
	// list[i:] begins when the command is over; what is before may still be in the way.
	for i > 0 && list[i-1].to > from {
		from = list[i-1].from - gap
		i--
	}
	*taken = slices.Insert(list, i, booking{from, from + gap})
	return p.now.Add(from)
}

// placeLeadIns places the lead-ins of every window as if there were no other commands.
func (p *planner) placeLeadIns() {
	taken := p.emptyBookings(len(p.links))
	for _, w := range p.windows {
		p.place(w, taken, false)
	}
}

// movable reports whether a command is a lead-in whose time is still the planner's to choose.
func (p *planner) movable(c *change) bool {
	if c.hold == nil || c.ending || c.renews || c.hold.phase != actions.PhaseLeadIn || c.hold.st.HasFrom {
		return false
	}
	_, sent := p.hasBegun(c.hold)
	return !sent
}

// noteCommands marks the holds that a command begins.
func (p *planner) noteCommands() {
	for _, c := range p.changes {
		if c.hold != nil && !c.ending && !c.renews {
			c.hold.command = true
		}
	}
	for _, w := range p.windows {
		for _, h := range w.leadIn {
			if _, sent := p.hasBegun(h); sent {
				h.command = true
			}
		}
	}
}

// moveLeadIns places the lead-ins anew, round everything else that is to be sent, and reports whether any moved.
func (p *planner) moveLeadIns() bool {
	taken := p.emptyBookings(len(p.links))
	link := -1
	var free time.Time
	for _, c := range p.changes { // by link, in order
		if p.movable(c) {
			continue
		}
		if c.line.link != link {
			link = c.line.link
			free = actions.Later(p.now, p.quiet(link))
		}
		at := actions.Later(c.due, free).Sub(p.now)
		free = p.now.Add(at + c.gap)
		taken[link] = append(taken[link], booking{at, at + c.gap})
	}
	moved := false
	for _, w := range p.windows {
		before := p.before[:0]
		for _, h := range w.leadIn {
			before = append(before, h.from)
		}
		p.place(w, taken, true)
		for i, h := range w.leadIn {
			moved = moved || !h.from.Equal(before[i])
		}
		p.before = before
	}
	return moved
}
