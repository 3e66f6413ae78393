package plan

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"spillway/actions"
)

// A class orders commands that are due together on one link: what lowers a draw that a hold made, then what else gives
// points back, then what begins.
type class int

const (
	lowering class = iota
	restoring
	beginning
)

// sequence orders the commands of every link and spaces them out: earliest due first; of those due together by class;
// restores in the reverse order of application, beginnings by window and statement. What is overdue is due now.
func (p *planner) sequence() {
	for _, c := range p.changes {
		c.ready = later(c.due, p.now)
		c.class = p.classOf(c)
		c.gap = p.links[c.line.link].Spacing
		if !c.ending && c.hold != nil {
			c.gap = max(c.gap, c.hold.st.Wait)
		}
	}
	slices.SortStableFunc(p.changes, compareChanges)
	p.space(p.changes)
}

func compareChanges(a, b *change) int {
	if c := cmp.Compare(a.line.link, b.line.link); c != 0 {
		return c
	}
	if c := a.ready.Compare(b.ready); c != 0 {
		return c
	}
	if c := cmp.Compare(a.class, b.class); c != 0 {
		return c
	}
	if c := a.due.Compare(b.due); c != 0 {
		return c
	}
	if a.class != beginning {
		a, b = b, a
	}
	if a.hold == nil || b.hold == nil {
		return a.line.st.Since.Compare(b.line.st.Since)
	}
	if a.class != beginning {
		if c := a.hold.from.Compare(b.hold.from); c != 0 {
			return c
		}
	}
	if a.window != b.window {
		if c := a.window.Start.Compare(b.window.Start); c != 0 {
			return c
		}
		return strings.Compare(a.window.ID, b.window.ID)
	}
	return cmp.Compare(a.hold.order, b.hold.order)
}

// space sets when each command is sent: when it is due, and not before the link has been quiet for long enough. The list
// is by link, in order.
func (p *planner) space(list []*change) {
	link := -1
	var free time.Time
	for _, c := range list {
		if c.line.link != link {
			link = c.line.link
			free = p.quiet(link)
		}
		c.at = later(c.ready, free)
		free = c.at.Add(c.gap)
	}
}

// quiet returns from when a command may be sent on the link, by what the standing says was sent on it before.
func (p *planner) quiet(link int) time.Time {
	l := &p.links[link]
	last := p.Standing.Links[l.Name].LastSend
	if last.IsZero() {
		return last
	}
	free := last.Add(l.Spacing)
	for _, st := range p.Standing.Steps {
		if st.Step.Link == l.Name && st.Step.Wait > 0 && !st.Sent.IsZero() {
			free = later(free, later(st.Sent, st.Settled).Add(st.Step.Wait))
		}
	}
	return free
}

func (p *planner) classOf(c *change) class {
	before, _ := p.premises.DrawW(c.line.dev, c.line.pt, c.from)
	after, _ := p.premises.DrawW(c.line.dev, c.line.pt, c.value)
	switch {
	case before > after && (c.ending || c.was != nil && c.was.win != c.window):
		return lowering
	case c.phase == actions.PhaseRestore:
		return restoring
	}
	return beginning
}

// sayLate says which lead-ins do not fit into the time that is left.
func (p *planner) sayLate() {
	type lateness struct {
		n        int
		due, at  time.Time
		tooLate  bool
		oneQuote string
	}
	late := map[*window]*lateness{}
	for _, c := range p.changes {
		if c.ending || c.hold == nil || c.phase != actions.PhaseLeadIn || c.at.Sub(c.due) < time.Second {
			continue
		}
		if _, known := p.Standing.Steps[c.id]; known {
			continue
		}
		ready := c.window.start.Add(-p.premises.Margin)
		missed := c.at.Add(p.slot(c.hold)).After(ready)
		if !c.due.Before(p.now) && !missed {
			continue // the spacing moved it a little
		}
		l := late[c.window]
		if l == nil {
			l = &lateness{due: c.due, at: c.at}
			late[c.window] = l
		}
		l.n++
		l.oneQuote = quoted(c.hold.st)
		l.due, l.at = earlier(l.due, c.due), earlier(l.at, c.at)
		l.tooLate = l.tooLate || missed
	}
	for _, w := range p.windows {
		l := late[w]
		if l == nil {
			continue
		}
		what := l.oneQuote + " comes late: it was"
		if l.n > 1 {
			what = count(l.n, "lead-in command") + " come late: the first was"
		}
		what += " due at " + p.clock(l.due) + " and is sent at " + p.clock(l.at)
		if l.tooLate {
			what += ", too late to be confirmed before the window"
		}
		w.say(what)
	}
}
