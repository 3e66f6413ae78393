package plan

import (
	"math"
	"slices"
	"time"

	"spillway/actions"
)

// A must is energy that a device has to have from a sharing before the rest is shared: to its reserve, or so much that it
// can still be ready.
type must struct {
	dev       *actions.Device
	device    int       // index among the devices that share
	kwh       float64   // in the round
	by        time.Time // zero: a reserve, by the round's end
	stretches int       // it counts in so many, from the first
	until     float64   // h from the round's beginning
}

// mustWorth is how many times as much as anything else a must is worth: so much that no other energy makes up for it, since
// a kilowatt-hour of one device never takes the place of more than a few of others.
const mustWorth = 1000

// bonus returns what 1 kWh of a must is worth over and above.
func (s *sharing) bonus() float64 {
	most := 1.0
	for i := range s.list {
		most = math.Max(most, s.list[i].worth)
	}
	return most * mustWorth
}

// mustOf returns the row of the k-th must in the program, and what is left of its bonus for a consumer in a stretch, by the
// prices of the rows. Energy counts to a must or not as gains more, so a must takes one row, what is marked as its own,
// and no column but those of the settings: the program is as it was (see [sharing.solve]), and so is the proof.
func (g *pricing) mustOf(k, u, stretch int, y []float64) (row int, gain float64) {
	m := &g.s.musts[k]
	row = g.rows - len(g.s.musts) + k
	if g.s.list[u].device != m.device || stretch >= m.stretches {
		return row, 0
	}
	return row, math.Max(0, g.bonus-y[row])
}

// musts works out what the devices that share must have in the round.
func (p *planner) musts(r round, points []*autoPoint, s *sharing, times []time.Time) {
	for i, a := range points {
		d := a.line.dev
		if slices.ContainsFunc(points[:i], func(o *autoPoint) bool { return o.line.dev == d }) {
			continue
		}
		if kwh := p.toReserve(d, s.need[a.c.device]); kwh > leastMust {
			s.musts = append(s.musts, must{dev: d, device: a.c.device, kwh: kwh, stretches: len(times), until: r.to.Sub(r.from).Hours()})
		}
		p.readyMust(r, a, s, times)
	}
}

// leastMust is the least that a device must have that is worth a word, in kWh.
const leastMust = 0.001

// toReserve returns what a device still has to take to come to its reserve, in kWh, where it needs need to be full.
func (p *planner) toReserve(d *actions.Device, need float64) float64 {
	level := d.LevelNow(p.Readings)
	if !d.HasReserve || !level.Known {
		return 0
	}
	if full, bounded := d.TargetLevel(); bounded && !math.IsInf(need, 1) && !d.Need(p.Readings).Known {
		if above, known := d.FillWh(d.Reserve, full); known {
			return need - above/1000
		}
		return 0
	}
	wh, _ := d.FillWh(level.Number, d.Reserve)
	return math.Min(wh/1000, need)
}

// readyMust adds what the device must have in the round to be ready: what it needs less what it can still take afterwards.
func (p *planner) readyMust(r round, a *autoPoint, s *sharing, times []time.Time) {
	d := a.line.dev
	by := p.readyAt(d, r.from)
	if by.IsZero() {
		return
	}
	need := s.need[a.c.device]
	if !d.LevelNow(p.Readings).Known && !d.Need(p.Readings).Known || math.IsInf(need, 1) {
		for _, w := range r.windows {
			if w.drawsWith(d) {
				w.say("what " + d.Name + " needs is not known: nothing here makes it ready by " + p.clock(by))
			}
		}
		return
	}
	m := must{dev: d, device: a.c.device, by: by, until: actions.Earlier(by, r.to).Sub(r.from).Hours()}
	m.kwh = need - p.flowsWh(d, r.to, by)/1000
	for m.stretches < len(times) && times[m.stretches].Before(by) {
		m.stretches++
	}
	if m.kwh > leastMust {
		s.musts = append(s.musts, m)
	}
}

// flowsWh returns what the device can take between two instants, in Wh: in windows what they let it, outside them what its
// points draw at their normals.
func (p *planner) flowsWh(d *actions.Device, from, to time.Time) (wh float64) {
	if !from.Before(to) {
		return 0
	}
	var all []draw
	for i := range d.Points {
		pt := &d.Points[i]
		normal := pt.Normal
		l := p.lines[pt.Ref]
		if l != nil {
			normal = l.normal
		}
		begin := from
		w, _ := p.premises.DrawW(d, pt, normal)
		add := func(until time.Time) {
			if until = actions.Earlier(until, to); w > 0 && begin.Before(until) {
				all = append(all, draw{from: begin, to: until, w: w})
			}
			begin = actions.Later(begin, until)
		}
		if l != nil {
			for _, sp := range l.spans {
				add(sp.from)
				w = l.couldDraw(sp)
			}
		}
		add(to)
	}
	most := p.mostW(d)
	for _, x := range flatten(all, d.PowerW) {
		wh += math.Min(x.w, most) * x.to.Sub(x.from).Hours()
	}
	return wh
}

// couldDraw returns the most that the point draws in a span, in W.
func (l *line) couldDraw(sp span) (w float64) {
	switch {
	case sp.hold == nil:
		w, _ = l.p.premises.DrawW(l.dev, l.pt, l.normal)
	case !sp.hold.st.Want.Auto:
		w, _ = l.p.premises.DrawW(l.dev, l.pt, sp.value)
	case sp.hold.win.shares():
		w, _ = l.p.premises.MaxDrawW(l.dev, l.pt)
	}
	return math.Max(0, w)
}

// readyCuts returns the times of a round at which devices that share must be ready.
func (p *planner) readyCuts(r round, points []*autoPoint) (cuts []time.Time) {
	for _, a := range points {
		if by := p.readyAt(a.line.dev, r.from); !by.IsZero() && by.Before(r.to) {
			cuts = append(cuts, by)
		}
	}
	return cuts
}

// lacks returns by must what it lacks as the points are set, in kWh.
func (x *shares) lacks() []float64 {
	if len(x.s.musts) == 0 {
		return nil
	}
	lacks := make([]float64, len(x.s.musts))
	for k := range x.s.musts {
		m := &x.s.musts[k]
		kwh := 0.0
		x.each(x.ofDevice[m.device], 0, m.until, func(stretch int, from, to float64, now []float64) bool {
			for i, u := range x.ofDevice[m.device] {
				if x.s.stretches[stretch].there[u] {
					kwh += now[i] * (to - from)
				}
			}
			return true
		})
		lacks[k] = math.Max(0, m.kwh-kwh)
	}
	return lacks
}

// meets reports whether the musts are met as the points are set, but for so many kWh, or as well as they can be.
func (x *shares) meets(but float64) bool {
	for k, lack := range x.lacks() {
		if lack > x.lack[k]+but {
			return false
		}
	}
	return true
}

// sayLacks says which musts are not met.
func (x *shares) sayLacks(r round) {
	for k, lack := range x.lacks() {
		m := &x.s.musts[k]
		if lack < 0.01 {
			continue
		}
		what := m.dev.Name + " does not come to its reserve of " + actions.Number(m.dev.Reserve).String() + levelUnit(m.dev)
		if !m.by.IsZero() {
			what = m.dev.Name + " is not ready by " + x.p.clock(m.by)
		}
		for _, w := range r.windows {
			if w.drawsWith(m.dev) {
				w.sayShared(what + ": " + kwhs(lack*1000) + " are lacking with all that the supply leaves it")
			}
		}
	}
}

func levelUnit(d *actions.Device) string {
	if d.Kind == actions.Tank {
		return " °C"
	}
	return " %"
}

// spareForReady returns how much of what a device can spare it may give back until an instant, in Wh at its terminals, and
// still be filled in time to be ready.
func (p *planner) spareForReady(d *actions.Device, spare float64, from, to time.Time) float64 {
	by := p.readyAt(d, from)
	if by.IsZero() {
		return spare
	}
	store := p.store(d)
	fill := p.mostW(d) * math.Max(0, by.Sub(to).Hours())
	return math.Min(spare, math.Max(0, fill-store.roomWh)*store.back)
}
