package actions

import (
	"math"
	"time"
)

// WorstW returns the most that the explicit draws of q can add up to, in W on each of three phases, with the figure for
// other loads: every guard true, every device with room, either just before a window or at its start. What `auto` shares
// is not in it, since it takes no more than is left. On a single-phase supply only the first counts.
func (p *Premises) WorstW(q *Procedure) [3]float64 {
	before := p.momentW(func(_ *Statement, d *Device, during bool) bool {
		return !during && d.Kind != Battery && d.Kind != Vehicle // those draw from the window's start only
	}, q)
	atStart := p.momentW(func(s *Statement, _ *Device, during bool) bool {
		return during || s.For == 0 || time.Duration(0) < s.From+s.For
	}, q)
	var worst [3]float64
	for i := range worst {
		worst[i] = math.Max(before[i], atStart[i])
	}
	return worst
}

// momentW adds up the draws of the statements that count at one moment. Of one point a during-statement counts in place
// of its lead-in, and of two whose guards exclude one another the greater draw.
func (p *Premises) momentW(counts func(s *Statement, d *Device, during bool) bool, q *Procedure) [3]float64 {
	type claim struct {
		w      float64
		during bool
	}
	claims := map[Ref]claim{}
	take := func(list []Statement, during bool) {
		for i := range list {
			s := &list[i]
			d := p.Device(s.Point.Device)
			if d == nil || !d.Enabled || !counts(s, d, during) {
				continue
			}
			w := p.wantW(d, s)
			if old, ok := claims[s.Point]; ok && old.during == during {
				w = math.Max(w, old.w)
			}
			claims[s.Point] = claim{w, during}
		}
	}
	take(q.LeadIn, false)
	take(q.During, true)
	var sum [3]float64
	for i := range p.Devices {
		d := &p.Devices[i]
		var w float64
		for j := range d.Points {
			w += math.Max(0, claims[d.Points[j].Ref].w)
		}
		if d.PowerW > 0 {
			w = math.Min(w, d.PowerW)
		}
		p.spread(&sum, w, p.PhasesOf(d))
	}
	phases := []int{1}
	if p.Supply.Phases == 3 {
		phases = []int{1, 2, 3}
	}
	p.spread(&sum, p.Supply.OtherLoadsW, phases)
	return sum
}

// wantW returns what a statement's explicit value draws; of `normal` what the configured normal draws.
func (p *Premises) wantW(d *Device, s *Statement) float64 {
	pt := d.Point(s.Point.Point)
	if pt == nil || s.Want.Auto {
		return 0
	}
	v := s.Want.Value
	if s.Want.Normal {
		v = pt.Normal
	}
	w, _ := p.DrawW(d, pt, v)
	return w
}

func (p *Premises) spread(sum *[3]float64, w float64, phases []int) {
	for _, ph := range phases {
		sum[ph-1] += w / float64(len(phases))
	}
}
