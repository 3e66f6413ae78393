package house

import (
	"time"

	"spillway/actions"
)

// A box may be given a value for a time only: then it goes back by itself to what it had before, unless it is told anew.

// Lend is Write for a value that the box is to keep for d at the longest.
func (s *Site) Lend(now time.Time, ref actions.Ref, v actions.Value, d time.Duration) Answer {
	s.Advance(now)
	c := s.cell(ref)
	if c == nil || c.set == nil {
		return Answer{Status: 404, Why: "no such setting"}
	}
	a := s.command(c, v.String(), d)
	if c.topic != "" {
		return Answer{Status: 202}
	}
	return a
}

// put sets c to v, for d where that is more than zero, else until it is told otherwise.
func (s *Site) put(c *cell, v actions.Value, d time.Duration) {
	if d <= 0 {
		c.own, c.lent = actions.Value{}, time.Time{}
		c.set(v)
		return
	}
	if !c.own.Known {
		c.own = c.get()
	}
	c.set(v)
	ends := s.now.Add(d)
	c.lent = ends
	s.later(ends, func() {
		if c.lent.Equal(ends) {
			s.move(c, c.own, Itself)
		}
	})
}
