package plan

import (
	"slices"
	"time"

	"spillway/actions"
)

// A box is lent a value until the point's next command can have been confirmed, however late that comes: else the box would
// end by itself what the plan has it keep, at an instant of its own.

// lendMargin is how long a box keeps a value at least after the next command of its point may have its turn: for tries that
// fail, and for clocks that differ.
const lendMargin = time.Minute

// A rush is what may still be sent on one link at an instant, before a command that is due then.
type rush struct {
	lines    int           // that are on the link
	slot     time.Duration // for which each of their commands takes it
	from, to []tally       // of the holds that may come with a command beside that, by time
}

// A tally is an instant, and for how long all holds that begin, or end, up to it take the link.
type tally struct {
	t   time.Time
	sum time.Duration
}

// rushOn returns the rush of the link, which is good until the commands are arranged anew.
func (p *planner) rushOn(link int) *rush {
	if p.rushes == nil {
		p.rushes = make([]*rush, len(p.links))
	}
	if p.rushes[link] == nil {
		p.rushes[link] = p.gather(link)
	}
	return p.rushes[link]
}

func (p *planner) gather(link int) *rush {
	k := p.links[link]
	q := &rush{slot: max(k.Spacing, k.Confirm)}
	for _, l := range p.order {
		if l.link != link {
			continue
		}
		q.lines++
		for _, h := range l.holds {
			if h.phase == actions.PhaseLeadIn || h.st.Wait > 0 {
				d := max(k.Spacing, k.Confirm+h.st.Wait)
				q.from, q.to = append(q.from, tally{h.from, d}), append(q.to, tally{h.to, d})
			}
		}
	}
	addUp(q.from)
	addUp(q.to)
	return q
}

func addUp(list []tally) {
	slices.SortFunc(list, func(a, b tally) int { return a.t.Compare(b.t) })
	for i := 1; i < len(list); i++ {
		list[i].sum += list[i-1].sum
	}
}

// tallied returns the sum of the tallies before t.
func tallied(list []tally, t time.Time) time.Duration {
	i, _ := slices.BinarySearchFunc(list, t, func(m tally, t time.Time) int { return m.t.Compare(t) })
	if i == 0 {
		return 0
	}
	return list[i-1].sum
}

// longest returns for how long the link may be taken, by others of its points and by lead-ins, before a command that is due
// at t. Each of the others may be told something then. And what is to be held already may have been late, or undone by its
// box, and be sent again, with its wait, before what comes next.
func (q *rush) longest(t time.Time) time.Duration {
	return time.Duration(q.lines-1)*q.slot + tallied(q.from, t.Add(1)) - tallied(q.to, t)
}

// outlast returns how long after t, when c is due to tell the point another value, the box must keep what it has.
func (l *line) outlast(t time.Time, c *change) time.Duration {
	d := max(lendMargin, l.p.links[l.link].Confirm) + l.p.rushOn(l.link).longest(t)
	if c != nil {
		d += l.p.mayAwait(c)
	}
	return d
}

// mayAwait returns how long c may wait for commands on other links, see [planner.awaitOnce].
func (p *planner) mayAwait(c *change) (d time.Duration) {
	if p.premises.Supply.LimitW > 0 {
		switch {
		case p.rise(c) > 0:
			d = MostRebound
		case c.rules() == nil && slices.ContainsFunc(p.order, func(o *line) bool { return o != c.line && o.dev == c.line.dev }):
			d = mostReboundOrdered
		}
	}
	if c.ending || c.hold == nil || c.hold.st.Guard == nil {
		return d
	}
	if l := p.lines[c.hold.st.Guard.Point]; l != nil && l.link != c.line.link {
		for _, h := range c.hold.win.holds {
			if h.line == l && h.order < c.hold.order {
				d = max(d, max(p.links[l.link].Confirm, h.st.Wait))
			}
		}
	}
	return d
}
