package plan

import (
	"time"

	"spillway/actions"
)

// A box that ends a value by itself is given it anew before it does, for as long as holds ask for it. Should nobody be
// there to do so, the box goes back to its own normal: that is the point of it.

const (
	// Renewals are planned renewAhead ahead, and of each value mostRenewals at least. A plan is made anew each hour.
	renewAhead   = 2 * time.Hour
	mostRenewals = 48
)

// lasts returns the longest that the point's box keeps a value; 0: until it is told another.
func (l *line) lasts() time.Duration {
	if l.pt.Write == nil {
		return 0
	}
	return l.pt.Write.Lasts
}

// renewLead returns how long before a value ends it is renewed: so early that one renewal may be lost without a word, and
// the next still comes in time.
func (l *line) renewLead() time.Duration { return l.lasts() * 3 / 5 }

// A loan is a stretch of time in which the point keeps one value that holds ask for.
type loan struct {
	spans []span
	to    time.Time     // when the point is told another value, exclusive
	until time.Time     // when the box may end the value at the latest: a little after the last of the holds
	slack time.Duration // so long after to it must still last
}

// renew plans the renewals of the line, and says of each command when the box may end what it asks for.
func (l *line) renew() {
	l.renewals = l.renewals[:0]
	if l.lasts() <= 0 {
		return
	}
	for i := 0; i < len(l.spans); {
		j := i + 1
		for j < len(l.spans) && l.spans[j].change == nil && l.spans[j].hold != nil {
			j++
		}
		l.renewLoan(l.loan(i, j))
		i = j
	}
}

func (l *line) loan(i, j int) loan {
	s := loan{spans: l.spans[i:j]}
	var last time.Time
	for _, sp := range s.spans {
		if sp.hold != nil {
			last = actions.Later(last, sp.hold.to)
		}
	}
	var next *change
	s.to = last
	if j < len(l.spans) {
		s.to, next = l.spans[j].from, l.spans[j].change
	}
	s.slack = l.outlast(s.to, next)
	s.until = last.Add(s.slack)
	return s
}

// renewLoan plans the renewals of one value.
func (l *line) renewLoan(s loan) {
	first := s.spans[0]
	if first.hold == nil || !first.value.Known {
		return
	}
	var until, next time.Time // when the value ends, and the earliest that it can be renewed
	switch c := first.change; {
	case c != nil && c.release:
		return // it is given back: it may stay
	case c != nil:
		c.until = s.until
		next = actions.Later(c.due, l.p.now)
		until = actions.Earlier(next.Add(l.lasts()), s.until)
	case !l.st.Owed:
		return // nobody told the box
	default:
		until = l.st.Until
		next = actions.Later(l.p.now, l.p.renewed[first.hold.claimed()].Add(l.renewLead()/8))
	}
	for n := 0; until.Before(s.to.Add(s.slack)); n++ {
		due := actions.Later(until.Add(-l.renewLead()), next)
		if !due.Before(s.to) || n >= mostRenewals && due.After(l.p.now.Add(renewAhead)) {
			return
		}
		l.renewAt(s, due)
		next = due
		until = actions.Earlier(due.Add(l.lasts()), s.until)
	}
}

// renewAt plans one renewal.
func (l *line) renewAt(s loan, due time.Time) {
	sp := s.spans[0]
	for _, o := range s.spans[1:] {
		if !o.from.After(due) {
			sp = o
		}
	}
	h := sp.hold
	c := &change{line: l, due: due, value: sp.value, from: sp.value, owed: true, was: h, hold: h, window: h.win, phase: h.phase,
		renews: true, until: s.until, ends: s.to, of: s.spans[0].change}
	c.id, h.renewed = l.fresh(h.id+"-r", h.renewed)
	l.renewals = append(l.renewals, c)
}

// noteRenewal takes from the standing when a renewal of a hold was tried last.
func (p *planner) noteRenewal(id claimed, st actions.StepStanding) {
	if p.renewed == nil {
		p.renewed = map[claimed]time.Time{}
	}
	if st.State.Over() {
		p.renewed[id] = actions.Later(p.renewed[id], actions.Later(st.Sent, st.Settled))
	}
}

// pastRenewing reports whether a renewal is not sent after all: the point is told another value before its turn comes, or
// never got the one that it renews.
func (c *change) pastRenewing() bool {
	return c.renews && (!c.at.Before(c.ends) || c.of != nil && c.of.drop != kept)
}
