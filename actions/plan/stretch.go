package plan

import (
	"math"
	"slices"
	"time"

	"spillway/actions"
)

// stretches cuts a round wherever the caps change or a point comes or goes, and returns when each stretch begins.
func (p *planner) stretches(r round, points []*autoPoint, explicit *profile, s *sharing) (begin []time.Time) {
	cuts := append(p.readyCuts(r, points), r.from, r.to)
	for _, a := range points {
		for _, x := range a.line.shared() {
			cuts = append(cuts, x.from, x.to)
		}
	}
	for _, x := range explicit.load {
		cuts = append(cuts, x.t)
	}
	slices.SortFunc(cuts, time.Time.Compare)
	cuts = slices.CompactFunc(cuts, time.Time.Equal)
	cuts = slices.DeleteFunc(cuts, func(t time.Time) bool { return t.Before(r.from) || t.After(r.to) })
	for i := range cuts[1:] {
		x := stretch{hours: cuts[i+1].Sub(cuts[i]).Hours(), caps: explicit.left(cuts[i])}
		for _, a := range points {
			there := slices.ContainsFunc(a.line.shared(), func(d draw) bool { return !d.from.After(cuts[i]) && d.to.After(cuts[i]) })
			x.there = append(x.there, there)
		}
		s.stretches, begin = append(s.stretches, x), append(begin, cuts[i])
	}
	return joinShort(s, begin)
}

// left returns what is left of the limit at t, in kW by phase.
func (f *profile) left(t time.Time) (caps [3]float64) {
	limit := f.p.premises.Supply.LimitW
	if limit <= 0 {
		return [3]float64{1e6, 1e6, 1e6} // no limit is given
	}
	i, found := slices.BinarySearchFunc(f.load, t, func(x instant, t time.Time) int { return x.t.Compare(t) })
	if !found {
		i--
	}
	for ph := range f.p.phases() {
		caps[ph] = limit - f.other[ph]
		if i >= 0 {
			caps[ph] -= f.load[i].w[ph]
		}
		caps[ph] = math.Max(0, caps[ph]/1000)
	}
	return caps
}

// shortStretch is one that is not worth commands of its own, such as that between two starts on a slow link.
const shortStretch = 1.0 / 60 // h

// joinShort joins stretches that are short with a neighbour that has the same points and no more room.
func joinShort(s *sharing, begin []time.Time) []time.Time {
	joins := func(small, big stretch) bool {
		if small.hours >= shortStretch || !slices.Equal(small.there, big.there) {
			return false
		}
		for ph, c := range small.caps {
			if c < big.caps[ph]-slack {
				return false
			}
		}
		return true
	}
	for i := 0; i < len(s.stretches); i++ {
		x := s.stretches[i]
		switch {
		case i+1 < len(s.stretches) && joins(x, s.stretches[i+1]):
			s.stretches[i+1].hours += x.hours
			begin = slices.Delete(begin, i+1, i+2)
		case i > 0 && joins(x, s.stretches[i-1]):
			s.stretches[i-1].hours += x.hours
			begin = slices.Delete(begin, i, i+1)
		default:
			continue
		}
		s.stretches = slices.Delete(s.stretches, i, i+1)
		i = max(-1, i-2)
	}
	return begin
}

// shared returns when auto statements rule the point and it draws: from the window's start on.
func (l *line) shared() (list []draw) {
	for i, sp := range l.spans {
		if sp.hold == nil || !sp.hold.st.Want.Auto || !sp.hold.win.shares() {
			continue
		}
		d := draw{from: actions.Later(sp.from, sp.hold.win.start), to: sp.hold.to}
		if i+1 < len(l.spans) {
			d.to = l.spans[i+1].from
		}
		if d.from.Before(d.to) {
			list = append(list, d)
		}
	}
	return list
}
