package plan

import (
	"slices"
	"time"

	"spillway/actions"
)

// A statement with a value starts when it says, and what auto points have of its power is let go before. Some of it cannot
// be let go sooner: what another statement has until the same instant, and whatever is drawn where the plan is made at that
// instant or later. Then the statement waits until that has been read back: the limit counts for more than the minute.

// yield lets such statements wait, once all that could make way for them has been moved.
func (p *planner) yield() {
	if p.premises.Supply.LimitW <= 0 {
		return
	}
	p.yields = true
	load := p.lazyLoad()
	var drops []*change
	for _, c := range p.changes {
		if !p.mayYield(c) {
			continue
		}
		if drops == nil {
			drops = p.drops()
		}
		if until, _ := p.awaitsRoom(c, drops, load); until.After(c.at) {
			p.build()
			p.dropMissed()
			return
		}
	}
}

// lazyLoad returns the load as it may be, worked out when it is first asked for.
func (p *planner) lazyLoad() func() *profile {
	var f *profile
	return func() *profile {
		if f == nil {
			f = p.pessimist()
		}
		return f
	}
}

// mayYield reports whether c makes its device draw more for a statement with a value.
func (p *planner) mayYield(c *change) bool {
	h := c.rules()
	if !p.yields || c.drop != kept || c.renews || h == nil || h.room != nil || h.st.Want.Auto || p.rise(c) <= 0 {
		return false
	}
	return c.line.dev.Kind != actions.Battery && c.line.dev.Kind != actions.Vehicle || !c.at.Before(h.win.start)
}

// awaitsRoom is for a statement that would pass the limit with what is let go by then: that is to be read back first.
func (p *planner) awaitsRoom(c *change, drops []*change, load func() *profile) (until time.Time, after []string) {
	due := actions.Later(c.due, p.now) // one that is late waits for what lets go now
	latest := c.due.Add(MostRebound)   // and after that the machine lets it wait, and tells
	if !latest.After(c.at) {
		return until, nil
	}
	i, _ := slices.BinarySearchFunc(drops, c.at.Add(-p.slowest()), func(d *change, t time.Time) int { return d.at.Compare(t) })
	for ; i < len(drops) && !drops[i].at.After(latest); i++ {
		d := drops[i]
		if d.line == c.line || d.due.After(due) || d.line.link == c.line.link && d.at.Before(c.at) || d.guardedBy(c) {
			continue
		}
		if gone := d.at.Add(p.links[d.line.link].Confirm); gone.After(c.at) {
			until, after = actions.Later(until, gone), append(after, d.id)
		}
	}
	for _, l := range p.order {
		if d, ok := l.underWay(); ok && l.link != c.line.link {
			until = actions.Later(until, d.to)
		}
	}
	if !until.After(c.at) {
		return time.Time{}, nil
	}
	free := load().under(c.at, p.premises.Supply.LimitW, p.premises.PhasesOf(c.line.dev))
	if !free.After(c.at) || free.After(until) {
		return time.Time{}, nil // there is room already, or none even then
	}
	slices.Sort(after)
	return actions.Earlier(free, latest), after
}

// guardedBy reports whether c sets the point that the guard of d looks at: then d comes after c.
func (c *change) guardedBy(o *change) bool {
	return !c.ending && c.hold != nil && c.hold.st.Guard != nil && c.hold.st.Guard.Point == o.line.ref
}

// sayYields says which statements start late because they wait for power, or are over by then.
func (p *planner) sayYields() {
	if !p.yields {
		return
	}
	for _, c := range slices.Concat(p.changes, p.missed) {
		if !c.yielded {
			continue
		}
		h, until := c.rules(), "starts at "+p.clock(c.at)
		if c.drop == missed {
			until = "is left out"
		}
		h.win.say(quoted(h.st) + " " + until + ": it was due at " + p.clock(c.due) + ", and what lets go of the power for it then is read back first")
	}
}
