package plan

import (
	"slices"
	"sort"
	"time"

	"spillway/actions"
)

// waitForDrops puts off what takes another's share until the drop that makes room has surely been read back: each rise of
// an auto point that would go over the limit while drops on other links, or behind other commands, are still under way.
func (p *planner) waitForDrops() {
	p.dropMissed()
	if p.premises.Supply.LimitW <= 0 {
		return
	}
	if p.letFill() {
		p.build()
		p.dropMissed()
	}
	for range mostWaits {
		if !p.putOff() {
			break
		}
		p.build()
		p.dropMissed()
	}
	for range mostCuts {
		if !p.cutOver() {
			break
		}
		p.build()
		p.dropMissed()
	}
	p.yield()
	p.nameDrops()
}

const (
	mostWaits = 12
	// longWait bounds how long a rise is put off. What is still in the way then is no drop under way.
	longWait = 5 * time.Minute
)

// ruling returns the auto hold whose value the change brings, nil where it is another's.
func (c *change) ruling() *hold {
	h := c.hold
	if c.ending {
		h = c.under
	}
	if h == nil || !h.st.Want.Auto {
		return nil
	}
	return h
}

// rise returns by how much the change raises its point's draw, in W.
func (p *planner) rise(c *change) float64 {
	return p.drawOf(c.line, c.value) - p.drawOf(c.line, c.from)
}

// putOff moves the rises that come too soon, and reports whether there were any.
func (p *planner) putOff() bool {
	load := p.pessimist()
	limit := p.premises.Supply.LimitW
	if p.makeRoom(load, limit) {
		return true
	}
	moved := false
	for _, c := range p.changes {
		if c.ruling() == nil || p.rise(c) <= 0 {
			continue
		}
		free := load.under(c.at, limit, p.premises.PhasesOf(c.line.dev))
		if wait := free.Sub(c.at); wait > 0 && wait <= longWait {
			c.line.putOff(c, free)
			moved = true
		}
	}
	return moved
}

// putOff lets a rise of the line wait until free. Until then the point keeps what it has, where that is of a hold and so
// in the sums; else, and where that gives back, it takes nothing.
func (l *line) putOff(c *change, free time.Time) {
	meanwhile := l.zero
	if w, _ := l.p.premises.DrawW(l.dev, l.pt, c.from); w >= 0 && (c.was != nil || c.caughtUp) {
		meanwhile = c.from
	}
	begin := actions.Later(c.due, l.p.now)
	list := l.autoOf(c.ruling())
	i := sort.Search(len(*list), func(i int) bool { return !(*list)[i].at.Before(begin) })
	j := sort.Search(len(*list), func(i int) bool { return (*list)[i].at.After(free) })
	value := l.autoAt(c.ruling(), free)
	*list = slices.Replace(*list, i, j, autoValue{at: begin, value: meanwhile}, autoValue{at: free, value: value})
}

// makeRoom moves drops of auto points ahead of what takes their share at a time of its own, and reports whether there were
// any to move: a statement with a value starts when it says, and by then the drop is to have been read back.
func (p *planner) makeRoom(load *profile, limit float64) (moved bool) {
	for _, c := range p.changes {
		if c.ruling() != nil || p.rise(c) <= 0 || c.due.Before(p.now) {
			continue
		}
		free := load.under(c.at, limit, p.premises.PhasesOf(c.line.dev))
		over := free.After(c.at)
		if !over && !c.at.After(c.due) {
			continue
		}
		here := false
		for _, d := range p.changes {
			if d.due.After(free) || p.rise(d) >= 0 {
				continue
			}
			lead := time.Duration(0)
			if over {
				lead = p.links[d.line.link].Confirm
			}
			if d.line.link == c.line.link && c.at.After(c.due) {
				lead = max(lead, d.gap)
			}
			if early := d.at.Add(lead).Sub(c.due); lead > 0 && early > 0 && early <= longWait {
				here = d.bringForward(early) || here
			}
		}
		if over && !here && free.Sub(c.at) <= longWait {
			here = p.putOffBefore(c, free)
		}
		moved = moved || here
	}
	return moved
}

// putOffBefore lets the rises of auto points wait that got in while c, which was due, had to queue.
func (p *planner) putOffBefore(c *change, free time.Time) (moved bool) {
	phases := p.premises.PhasesOf(c.line.dev)
	for _, r := range p.changes {
		together := slices.ContainsFunc(p.premises.PhasesOf(r.line.dev), func(ph int) bool { return slices.Contains(phases, ph) })
		if together && r.ruling() != nil && p.rise(r) > 0 && !r.at.Before(c.due) && r.at.Before(c.at) {
			r.line.putOff(r, free)
			moved = true
		}
	}
	return moved
}

// bringForward moves a drop of an auto point ahead, no further than the value before it, and reports whether it moved. One
// that comes with the end of its hold is made before it.
func (c *change) bringForward(early time.Duration) bool {
	l, h, over := c.line, c.ruling(), false
	if h == nil && c.was != nil && c.was.st.Want.Auto {
		h, over = c.was, true
	}
	if h == nil {
		return false
	}
	list := l.autoOf(h)
	i := sort.Search(len(*list), func(i int) bool { return !(*list)[i].at.Before(c.due) })
	at := c.due.Add(-early)
	switch {
	case over:
		next := c.value // the hold that comes, or else nothing
		if w, _ := l.p.premises.DrawW(l.dev, l.pt, next); w < 0 || c.ending && c.under == nil {
			next = l.zero
		}
		if i == 0 || at.Before(actions.Later(l.p.now, (*list)[i-1].at)) || (*list)[i-1].value == next {
			return false
		}
		ahead := []autoValue{{at: at, value: next}}
		if i == len(*list) || !(*list)[i].at.Equal(c.due) {
			ahead = append(ahead, autoValue{at: c.due, value: (*list)[i-1].value}) // for when its hold rules again
		}
		*list = slices.Insert(*list, i, ahead...)
		return true
	case i == 0 || i == len(*list) || !(*list)[i].at.Equal(c.due):
		return false
	}
	at = actions.Later(at, actions.Later(l.p.now, (*list)[i-1].at))
	if !at.Before(c.due) {
		return false
	}
	(*list)[i].at = at
	*list = lastOfEach(*list)
	return true
}

// letFill puts off drops that wait for a device to be full: it began a little later than the sharing took it to, because
// commands are sent one after another.
func (p *planner) letFill() (moved bool) {
	for _, l := range p.order {
		store := p.store(l.dev)
		for _, d := range l.draws(nil) {
			took := store.take(d)
			i := sort.Search(len(l.auto), func(i int) bool { return !l.auto[i].at.Before(d.to) })
			if i == len(l.auto) || !l.auto[i].full || !l.auto[i].at.Equal(d.to) || len(took) == 0 || took[0].to.Before(d.to) {
				continue
			}
			wait := time.Duration(store.roomWh / d.w * float64(time.Hour)).Round(time.Second)
			if wait <= 0 || wait > time.Minute || i+1 < len(l.auto) && !d.to.Add(wait).Before(l.auto[i+1].at) {
				continue
			}
			l.auto[i].at = d.to.Add(wait)
			moved = true
		}
	}
	return moved
}

// lastOfEach drops values that another follows at once.
func lastOfEach(list []autoValue) []autoValue {
	out := list[:0]
	for i, a := range list {
		if i+1 == len(list) || list[i+1].at.After(a.at) {
			out = append(out, a)
		}
	}
	return out
}

func (p *planner) drawOf(l *line, v actions.Value) float64 {
	w, _ := p.premises.DrawW(l.dev, l.pt, v)
	return max(0, w)
}

// under returns the first instant from t on at which the load on the phases is under the limit.
func (f *profile) under(t time.Time, limit float64, phases []int) time.Time {
	i, found := slices.BinarySearchFunc(f.load, t, func(x instant, t time.Time) int { return x.t.Compare(t) })
	if !found {
		i--
	}
	for ; i >= 0 && i < len(f.load); i++ {
		over := slices.ContainsFunc(phases, func(ph int) bool { return f.load[i].w[ph-1]+f.other[ph-1] > limit+wattSlack })
		if !over {
			break
		}
		if i+1 < len(f.load) {
			t = f.load[i+1].t
		}
	}
	return t
}

// nameDrops notes with each rise of an auto point the drops that make room for it.
func (p *planner) nameDrops() {
	var drops []*change // by time
	for _, c := range p.changes {
		if p.rise(c) < 0 {
			drops = append(drops, c)
		}
	}
	slices.SortStableFunc(drops, func(a, b *change) int { return a.at.Compare(b.at) })
	slowest := time.Duration(0)
	for i := range p.links {
		slowest = max(slowest, p.links[i].Confirm)
	}
	for _, c := range p.changes {
		if c.ruling() == nil || p.rise(c) <= 0 {
			continue
		}
		i, _ := slices.BinarySearchFunc(drops, c.at.Add(-slowest), func(d *change, t time.Time) int { return d.at.Compare(t) })
		for ; i < len(drops) && !drops[i].at.After(c.at); i++ {
			if d := drops[i]; d != c && !d.at.Add(p.links[d.line.link].Confirm).Before(c.at) {
				c.after = append(c.after, d.id)
			}
		}
		slices.Sort(c.after)
	}
}
