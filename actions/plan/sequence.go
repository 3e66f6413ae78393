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
// restores in the reverse order of application, beginnings by window and statement. Where the link is behind, what lowers a
// draw overtakes the rest, so that no start comes before an end that would have made way for it.
func (p *planner) sequence() {
	p.rushes = nil
	late := p.dues[:0] // by link: the earliest due of the restores that are due by now
	for range p.links {
		late = append(late, p.now)
	}
	p.dues = late
	for i, c := range p.changes {
		c.n = i
		c.class = p.classOf(c)
		if c.class != beginning {
			late[c.line.link] = actions.Earlier(late[c.line.link], c.due)
		}
		c.gap = p.links[c.line.link].Spacing
		if !c.ending && !c.renews && c.hold != nil {
			c.gap = max(c.gap, c.hold.st.Wait)
		}
	}
	for _, c := range p.changes {
		c.turn = p.turnOf(c).Sub(p.now)
	}
	slices.SortFunc(p.changes, compareChanges)
	p.space(false)
}

// dropMissed takes out the commands that cannot be sent in time, and spaces the others out anew. What may go sooner for it
// keeps the least times all the same.
func (p *planner) dropMissed() {
	p.dropOnce()
	for range mostStays {
		switch {
		case p.keepLeast():
			p.arrange()
		case p.awaitOnce():
			p.sequence()
		default:
			return
		}
		p.dropOnce()
	}
}

func (p *planner) dropOnce() {
	p.space(true)
	p.missed = p.missed[:0]
	for _, c := range p.changes {
		if c.drop == missed && !c.renews {
			p.missed = append(p.missed, c)
		}
	}
	p.changes = slices.DeleteFunc(p.changes, func(c *change) bool { return c.drop != kept })
}

// turnOf returns by when the change takes its turn: when it is due. Restores that are late are due together, as the first of
// them was: by when each should have been, one could come before another that must precede it.
func (p *planner) turnOf(c *change) time.Time {
	if c.class != beginning && !c.due.After(p.now) {
		return actions.Later(p.dues[c.line.link], c.wait)
	}
	return actions.Later(c.due, c.wait)
}

func compareChanges(a, b *change) int {
	if a.line.link != b.line.link {
		return a.line.link - b.line.link
	}
	if c := cmp.Compare(a.turn, b.turn); c != 0 {
		return c
	}
	if a.class != b.class {
		return int(a.class - b.class)
	}
	if a.class != beginning {
		a, b = b, a
	}
	if c := compareApplied(a, b); c != 0 {
		return c
	}
	if a.class != beginning {
		a, b = b, a
	}
	return a.n - b.n
}

// compareApplied orders changes by when their holds were applied or are to be: as windows and statements have them.
func compareApplied(a, b *change) int {
	if a.class != beginning {
		if c := a.applied().Compare(b.applied()); c != 0 {
			return c
		}
	}
	if a.hold != nil && b.hold != nil {
		if a.hold.win != b.hold.win {
			return cmp.Or(a.hold.win.Start.Compare(b.hold.win.Start), strings.Compare(a.hold.win.ID, b.hold.win.ID))
		}
		return cmp.Compare(a.hold.order, b.hold.order)
	}
	return a.line.ref.Compare(b.line.ref)
}

// applied returns when the hold that c ends was applied; of one that is not known any more, when its point was first
// written.
func (c *change) applied() time.Time {
	if c.hold != nil {
		return c.hold.from
	}
	return c.line.st.Since
}

// space sets when each command is sent, and puts the commands of each link, which are by link and due, in that order. Where
// drop is set, one that cannot be sent before the point's next change is due is missed.
func (p *planner) space(drop bool) {
	for i := 0; i < len(p.changes); {
		j := i
		for j < len(p.changes) && p.changes[j].line.link == p.changes[i].line.link {
			j++
		}
		p.spaceLink(p.changes[i:j], drop)
		i = j
	}
}

func (p *planner) spaceLink(list []*change, drop bool) {
	// Two queues, each by due: what lowers a draw, and the rest.
	first, rest := p.queues[0][:0], p.queues[1][:0]
	for _, c := range list {
		c.sent = false
		if c.class == lowering {
			first = append(first, c)
		} else {
			rest = append(rest, c)
		}
	}
	p.queues = [2][]*change{first, rest}
	free := actions.Later(p.now, p.quiet(list[0].line.link))
	for i := range list {
		queue := &rest
		if len(rest) == 0 || len(first) > 0 && !actions.Later(first[0].due, free).After(actions.Later(actions.Later(rest[0].due, rest[0].wait), free)) {
			queue = &first
		}
		c := (*queue)[0]
		*queue = (*queue)[1:]
		list[i] = c
		c.at, c.sent = actions.Later(actions.Later(c.due, c.wait), free), true
		if drop && c.pastRenewing() {
			c.drop = missed
			continue
		}
		if drop && c.overtaken(p.now) {
			continue
		}
		free = c.at.Add(c.gap)
	}
}

// overtaken reports whether c is not sent after all: because it was missed or needless before, or because its point's next
// change is due. What is before c on its line and has not had its turn is missed.
func (c *change) overtaken(now time.Time) bool {
	first := c
	for first.prev != nil && !first.prev.sent {
		first = first.prev
	}
	for first != c {
		next := first.next
		if first.drop == kept {
			first.drop = missed
			first.skip()
		}
		first = next
	}
	if c.drop == kept && c.next != nil && !c.at.Before(c.next.due) && c.next.due.After(now) {
		c.drop = missed
		c.skip()
	}
	return c.drop != kept
}

// skip takes the change out of its line: the one after it starts from what was there before.
func (c *change) skip() {
	n := c.next
	if c.prev != nil {
		c.prev.next = n
	}
	if n == nil {
		return
	}
	n.prev = c.prev
	n.from, n.owed = c.from, c.owed
	id := c.id
	for m := n; m != nil && !c.ending; m = m.next { // names have no gaps, so that they are the same when the plan is made again
		if m.hold == c.hold && !m.ending {
			m.id, id = id, m.id
		}
	}
	if n.value == n.from && !(n.release && n.owed) {
		n.drop = needless
		n.skip()
	}
}

// quiet returns from when a command may be sent on the link, by what the standing says was sent on it before.
func (p *planner) quiet(link int) time.Time {
	l := &p.links[link]
	last := p.Standing.Links[l.Name].LastSend
	if last.IsZero() {
		return last
	}
	return actions.Later(last.Add(l.Spacing), p.waits[l.Name])
}

func (p *planner) classOf(c *change) class {
	before, _ := p.premises.DrawW(c.line.dev, c.line.pt, c.from)
	after, _ := p.premises.DrawW(c.line.dev, c.line.pt, c.value)
	held := c.was != nil && !c.was.st.Want.Normal || c.was == nil && c.owed // what a normal draws is part of the other loads
	switch {
	case before > after && held && (c.ending || c.was != nil && (c.was.win != c.window || c.was == c.hold)):
		return lowering
	case c.phase == actions.PhaseRestore:
		return restoring
	}
	return beginning
}

// sayMissed says which lead-ins are left out because what comes after them on their point is due first.
func (p *planner) sayMissed() {
	for _, c := range p.missed {
		if c.ending || c.hold == nil || c.phase != actions.PhaseLeadIn {
			continue
		}
		if _, known := p.Standing.Steps[c.id]; !known {
			c.window.say(quoted(c.hold.st) + " is left out: it was due at " + p.clock(c.due) + ", and " + p.links[c.line.link].Name + " is not free before its time is over")
		}
	}
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
		if c.ending || c.renews || c.hold == nil || c.phase != actions.PhaseLeadIn || c.at.Sub(c.due) < time.Second {
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
		l.due, l.at = actions.Earlier(l.due, c.due), actions.Earlier(l.at, c.at)
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
