package plan

import (
	"slices"
	"time"

	"spillway/actions"
)

// A booking is a command that is to be sent on a link at from; the next may go at to.
type booking struct {
	from, to time.Time
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
// already booked, by link; a slot that meets one of them moves before it.
func (p *planner) place(w *window, taken [][]booking) {
	if len(w.leadIn) == 0 {
		return
	}
	ready := w.start.Add(-p.premises.Margin)
	free := p.free // by link: when what is placed so far begins
	for i := range free {
		free[i] = ready
	}
	for i := len(w.leadIn) - 1; i >= 0; i-- {
		h := w.leadIn[i]
		if !h.live {
			continue
		}
		link := h.line.link
		end := free[link]
		for _, o := range w.leadIn[i+1:] {
			if o.live && o.st.Guard != nil && o.st.Guard.Point == h.line.ref {
				end = earlier(end, o.from)
			}
		}
		if taken != nil && !h.command {
			p.begin(h, end) // nothing is sent for it: it takes no slot
			continue
		}
		at := end.Add(-p.slot(h))
		if _, sent := p.begun[h.id]; !sent && taken != nil && at.After(p.now) {
			at = p.book(&taken[link], at, p.gap(h))
		}
		free[link] = at
		p.begin(h, at)
	}
}

// begin sets a lead-in hold's start. One that was sent keeps the time it was sent for.
func (p *planner) begin(h *hold, at time.Time) {
	if sent, ok := p.begun[h.id]; ok {
		at = earlier(at, sent)
	}
	h.from = at
	if h.st.For > 0 {
		h.to = earlier(h.win.End.UTC(), at.Add(h.st.For))
		if h.win.duringHolds(h.line.ref) {
			h.to = earlier(h.to, h.win.start)
		}
	}
}

// book finds the latest time at or before at from which the link is free for gap, and takes it.
func (p *planner) book(taken *[]booking, at time.Time, gap time.Duration) time.Time {
	list := *taken
	i, _ := slices.BinarySearchFunc(list, at.Add(gap), func(b booking, t time.Time) int { return b.from.Compare(t) })
	// list[i:] begins when the command is over; what is before may still be in the way.
	for i > 0 && list[i-1].to.After(at) {
		at = list[i-1].from.Add(-gap)
		i--
	}
	*taken = slices.Insert(list, i, booking{at, at.Add(gap)})
	return at
}

// placeLeadIns places the lead-ins of every window as if it were alone.
func (p *planner) placeLeadIns() {
	for _, w := range p.windows {
		p.place(w, nil)
	}
}

// movable reports whether a command is a lead-in whose time is still the planner's to choose.
func (p *planner) movable(c *change) bool {
	if c.hold == nil || c.ending || c.hold.phase != actions.PhaseLeadIn || c.hold.st.HasFrom || !c.due.After(p.now) {
		return false
	}
	_, sent := p.begun[c.hold.id]
	return !sent
}

// leadInsCollide reports whether a lead-in cannot go when it should because its link is taken, pushes another command
// back, or keeps a slot that it does not need.
func (p *planner) leadInsCollide() bool {
	collide := false
	for i, c := range p.changes {
		if c.hold != nil && !c.ending {
			c.hold.command = true
		}
		if c.at.After(c.ready) && (p.movable(c) || i > 0 && p.changes[i-1].line.link == c.line.link && p.movable(p.changes[i-1])) {
			collide = true
		}
	}
	for _, w := range p.windows {
		for _, h := range w.leadIn {
			_, sent := p.begun[h.id]
			h.command = h.command || sent
			if h.live && !h.command && len(w.leadIn) > 1 && h.from.After(p.now) {
				collide = true
			}
		}
	}
	return collide
}

// moveLeadIns places the lead-ins anew, round everything else that is to be sent.
func (p *planner) moveLeadIns() {
	fixed := slices.DeleteFunc(slices.Clone(p.changes), p.movable)
	p.space(fixed)
	taken := make([][]booking, len(p.links))
	for _, c := range fixed {
		taken[c.line.link] = append(taken[c.line.link], booking{c.at, c.at.Add(c.gap)})
	}
	for _, w := range p.windows {
		p.place(w, taken)
	}
}
