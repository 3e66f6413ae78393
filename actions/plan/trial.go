package plan

import (
	"math"
	"slices"
	"time"

	"spillway/actions"
)

// A trial is a sharing that is tried.
type trial struct {
	r       round
	points  []*autoPoint
	s       *sharing
	times   []time.Time
	devices map[*actions.Device]int
}

// trial sets up the sharing between two instants; nil where there is none.
func (m *rooms) trial(from, to time.Time) *trial {
	t := &trial{r: round{from: from, to: to}, s: &sharing{}, devices: map[*actions.Device]int{}}
	for _, w := range m.p.windows {
		if w.ahead(m.p.now) && w.start.Before(to) && w.End.After(from) && w.proc != nil && w.shares() &&
			slices.ContainsFunc(w.holds, func(h *hold) bool { return h.live && h.st.Want.Auto }) {
			t.r.windows = append(t.r.windows, w)
		}
	}
	if len(t.r.windows) == 0 {
		return nil
	}
	if m.explicit == nil {
		m.explicit = m.p.explicit()
	}
	t.points = m.p.autoPoints(t.r)
	t.times = m.p.stretches(t.r, t.points, m.explicit, t.s)
	for _, a := range t.points {
		d, known := t.devices[a.line.dev]
		if !known {
			d = len(t.s.need)
			t.devices[a.line.dev] = d
			t.s.need = append(t.s.need, math.Max(0, m.storeAt(a.line.dev, to).roomWh/1000-a.least(t.s, len(t.s.list))))
		}
		a.c.device = d
		t.s.list = append(t.s.list, a.c)
	}
	return t
}

// tryShare works out what auto statements come to between two instants, for the levels after them.
func (m *rooms) tryShare(from, to time.Time) {
	t := m.trial(from, to)
	if t == nil {
		return
	}
	x := &shares{p: m.p, s: t.s, points: t.points, from: from, times: t.times}
	x.best()
	x.write()
	for _, a := range t.points {
		m.settle(a.line)
	}
}

// settle works the line out anew, as if every command went when it is due.
func (m *rooms) settle(l *line) {
	l.build()
	for _, c := range l.changes {
		c.at = actions.Later(c.due, m.p.now)
	}
	delete(m.flat, l.dev)
	m.explicit = nil
}

// storeAt returns how much the device can take and give at an instant to come, as far as is planned.
func (m *rooms) storeAt(d *actions.Device, t time.Time) *store {
	s := m.p.store(d)
	for _, x := range m.drawsOf(d) {
		if !x.from.Before(t) {
			break
		}
		x.to = actions.Earlier(x.to, t)
		s.take(x)
	}
	return s
}

// drawsOf returns what the device draws and gives back as far as is planned.
func (m *rooms) drawsOf(d *actions.Device) []draw {
	if flat, ok := m.flat[d]; ok {
		return flat
	}
	var all []draw
	for i := range d.Points {
		if l := m.p.lines[d.Points[i].Ref]; l != nil {
			all = l.draws(all)
		}
	}
	m.flat[d] = flatten(all, d.PowerW)
	return m.flat[d]
}

// levelAt returns the level of the device at an instant to come, as far as is planned.
func (m *rooms) levelAt(d *actions.Device, t time.Time) (level float64, known bool) {
	now := d.LevelNow(m.p.Readings)
	per, figured := d.FillWh(0, 1)
	if !now.Known || !figured || per <= 0 {
		return now.Number, now.Known
	}
	if full, bounded := d.TargetLevel(); !bounded || now.Number > full {
		return now.Number, true
	}
	return now.Number + (m.p.store(d).roomWh-m.storeAt(d, t).roomWh)/per, true
}
