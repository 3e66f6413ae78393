package plan

import (
	"math"
	"time"
)

// cadence returns the least times of a line's point in a sharing that begins at begin and gets the point at from, and how the
// point stands by then: by what was and will be sent before, and by what the sharings before this one made of it.
func (p *planner) cadence(l *line, begin, from time.Time) (c cadence) {
	if !l.hasLeast() {
		return c
	}
	spare := p.spare(l).Hours()
	long := func(d time.Duration) float64 {
		if d <= 0 {
			return 0
		}
		return d.Hours() + spare
	}
	// A value that is set counts as set, be it nothing.
	c.hold = long(l.dev.MinHold)
	c.on, c.off = math.Max(long(l.dev.MinOn), c.hold), math.Max(long(l.dev.MinOff), c.hold)
	c.after = p.drawOf(l, l.normal) > 0
	was := l.cycleNow()
	for _, x := range l.changes {
		if x.drop == kept && x.sendAt().Before(from) {
			was = was.after(x)
		}
	}
	if l.handed != nil && !l.handed.since.Before(was.since) {
		was = *l.handed
		if end := was.set; was.on && end.Before(from) && !c.after {
			was.on, was.since = false, end // its window ended, and it went back to its normal
		}
	}
	c.begins = from.Sub(begin).Hours()
	c.running, c.since = was.on, math.Inf(1)
	if !was.since.IsZero() {
		c.since = math.Max(0, from.Sub(was.since).Hours()) - c.begins
	}
	return c
}

// spare returns how much longer than its least times a point is to run and to rest in a sharing: nothing, unless commands
// that wait for one another took too much of it.
func (p *planner) spare(l *line) (d time.Duration) {
	if !p.spared {
		return 0
	}
	others := 0
	for _, o := range p.order {
		if o.link == l.link {
			others++
		}
	}
	for i := range p.links {
		d = max(d, p.links[i].Confirm)
	}
	return min(2*d+time.Duration(others)*p.links[l.link].Spacing, 5*time.Minute)
}

// lostRuns reports whether auto's runs were not begun after all, since what commands wait for one another made them too
// short.
func (p *planner) lostRuns() bool {
	for _, l := range p.order {
		for _, s := range l.stays {
			if s.why == minOn && s.hold.st.Want.Auto {
				return true
			}
		}
	}
	return false
}

// leave notes how the points stand as the round ends, for the next one.
func (x *shares) leave() {
	end := x.begins[len(x.begins)-1]
	for u, a := range x.points {
		if !a.cad.asks() {
			continue
		}
		on, began := a.cad.running, -a.cad.since
		x.each([]int{u}, 0, math.Inf(1), func(stretch int, from, _ float64, now []float64) bool {
			if from < a.cad.begins-slack {
				return true
			}
			if runs := x.s.stretches[stretch].there[u] && now[0]+a.base > slack; runs != on {
				on, began = runs, from
			}
			return true
		})
		w := cycle{on: on, set: x.from.Add(time.Duration(end * float64(time.Hour)))}
		if !math.IsInf(began, 0) {
			w.since = x.from.Add(time.Duration(began * float64(time.Hour)))
		}
		a.line.handed = &w
	}
}

// shareLonger shares once more with time to spare where runs were lost.
func (p *planner) shareLonger() {
	if !p.lostRuns() {
		return
	}
	p.spared, p.yields = true, false
	p.share()
	p.build()
	p.fitLeadIns()
	p.waitForDrops()
}
