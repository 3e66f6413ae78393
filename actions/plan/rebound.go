package plan

import (
	"iter"
	"slices"
	"time"

	"spillway/actions"
)

// Some commands wait for others on other links. When windows end, what goes back to a normal that draws more than it did
// waits until what is let go elsewhere is surely gone: in the minutes after a window everything returns at once. And a
// statement with a guard waits for the earlier statement of its window that sets the guard's point.

const (
	// MostRebound bounds how long after its window's end a point waits to be given back. What has not been let go by then
	// may never be.
	MostRebound = 3 * time.Minute
	// mostReboundOrdered is that of a point whose device is given back point by point: what comes after it waits with it.
	mostReboundOrdered = 30 * time.Second
	// leastReturn is W by which a point that goes back draws more; less is not worth waiting for.
	leastReturn = 50
	// mostAwaits bounds how often commands are put in order anew for those they wait for.
	mostAwaits = 4
)

// await lets commands wait for those on other links that must come first.
func (p *planner) await() {
	for _, c := range p.changes {
		c.wait, c.after, c.yielded = time.Time{}, nil, false
	}
	for range mostAwaits {
		if !p.awaitOnce() {
			return
		}
		p.sequence()
	}
}

func (p *planner) awaitOnce() (moved bool) {
	var drops []*change
	load := p.lazyLoad()
	for _, c := range p.changes {
		until, after := time.Time{}, []string(nil)
		switch {
		case c.drop != kept:
		case c.rules() == nil && p.premises.Supply.LimitW > 0 && p.rise(c) >= leastReturn:
			if drops == nil {
				drops = p.drops()
			}
			until, after = p.awaitsDrops(c, drops)
		case c.rules() != nil && !c.ending && c.hold.st.Guard != nil:
			until, after = p.awaitsGuard(c)
		}
		if p.mayYield(c) {
			if drops == nil {
				drops = p.drops()
			}
			if u, a := p.awaitsRoom(c, drops, load); u.After(c.at) {
				until, after, c.yielded = actions.Later(until, u), append(after, a...), true
				slices.Sort(after)
			}
		}
		if !until.After(c.at) {
			continue
		}
		c.wait, c.after = until, after
		moved = true
		for o := range c.followers() {
			o.wait = actions.Later(o.wait, until)
		}
	}
	return moved
}

// drops returns what lowers a draw, by time.
func (p *planner) drops() []*change {
	list := make([]*change, 0, len(p.changes))
	for _, c := range p.changes {
		if c.drop == kept && p.rise(c) < 0 {
			list = append(list, c)
		}
	}
	slices.SortStableFunc(list, func(a, b *change) int { return a.at.Compare(b.at) })
	return list
}

// awaitsDrops is for a point that goes back to drawing more: what draws less by then is to be read back first.
func (p *planner) awaitsDrops(c *change, drops []*change) (until time.Time, after []string) {
	latest := c.due.Add(MostRebound)
	for o := range c.followers() {
		if latest = c.due.Add(mostReboundOrdered); p.rise(o) < 0 {
			return until, nil // what lowers a draw waits for nothing
		}
	}
	i, _ := slices.BinarySearchFunc(drops, c.at.Add(-p.slowest()), func(d *change, t time.Time) int { return d.at.Compare(t) })
	for ; i < len(drops) && !drops[i].at.After(latest); i++ {
		d := drops[i]
		if d.line.link == c.line.link || d.due.After(c.due) {
			continue
		}
		if gone := d.at.Add(p.links[d.line.link].Confirm); gone.After(c.at) {
			until, after = actions.Later(until, gone), append(after, d.id)
		}
	}
	for _, l := range p.order {
		if d, ok := l.underWay(); ok && l.link != c.line.link && d.to.After(c.at) {
			until = actions.Later(until, d.to)
		}
	}
	slices.Sort(after)
	if until = actions.Earlier(until, latest); !until.After(c.at) {
		return time.Time{}, nil
	}
	return until, after
}

// slowest returns the longest time that a link takes to confirm.
func (p *planner) slowest() (d time.Duration) {
	for i := range p.links {
		d = max(d, p.links[i].Confirm)
	}
	return d
}

// followers are the commands that give back other points of c's device after c does.
func (c *change) followers() iter.Seq[*change] {
	return func(yield func(*change) bool) {
		if c.rules() != nil {
			return
		}
		for i := range c.line.dev.Points {
			l := c.line.p.lines[c.line.dev.Points[i].Ref]
			if l == nil || l == c.line {
				continue
			}
			for _, o := range l.changes {
				if o.drop == kept && o.rules() == nil && o.due.Equal(c.due) && o.class >= c.class && compareApplied(o, c) < 0 && !yield(o) {
					return
				}
			}
		}
	}
}

// awaitsGuard is for a statement whose guard's point an earlier one of its window sets on another link.
func (p *planner) awaitsGuard(c *change) (until time.Time, after []string) {
	l := p.lines[c.hold.st.Guard.Point]
	if l == nil || l.link == c.line.link {
		return until, nil
	}
	for _, o := range l.changes {
		if o.drop != kept || o.ending || o.hold == nil || o.window != c.window || o.hold.order >= c.hold.order || o.due.After(c.due) {
			continue
		}
		if done := o.at.Add(max(p.links[o.line.link].Confirm, o.hold.st.Wait)); done.After(c.at) && done.Before(c.hold.to) {
			until, after = actions.Later(until, done), append(after, o.id)
		}
	}
	slices.Sort(after)
	return until, after
}

// sayRebound says where the normals that return together pass the limit by themselves.
func (p *planner) sayRebound(f *profile) {
	limit := p.premises.Supply.LimitW
	if limit <= 0 {
		return
	}
	returns := slices.DeleteFunc(slices.Clone(p.changes), func(c *change) bool { return c.drop != kept || c.rules() != nil || p.rise(c) <= 0 || c.window == nil })
	for _, c := range returns {
		var sum [3]float64
		for ph, left := range f.left(c.at) {
			sum[ph] = limit - left*1000
		}
		for _, o := range returns {
			if o.at.After(c.at) || c.at.Sub(o.at) > 2*MostRebound {
				continue
			}
			phases := p.premises.PhasesOf(o.line.dev)
			for _, ph := range phases {
				sum[ph-1] += p.drawOf(o.line, o.value) / float64(len(phases))
			}
		}
		for ph := range p.phases() {
			if sum[ph] > limit+wattSlack {
				c.window.say("what returns to its normal draws up to " + kws(sum[ph]) + onPhase(p, ph) + " at " + p.clock(c.at) + " with the rest of the premises, over the limit of " +
					kws(limit) + ": that is how the premises are without a window")
				return
			}
		}
	}
}
