package plan

import (
	"math"
	"slices"
	"time"
)

// lay shares under the best decisions. Where none were found, what may not stop yet goes on, what else has least times rests,
// and all others share what that leaves.
func (k *keeping) lay() {
	x := k.x
	if k.best == nil {
		k.best = k.rested
	}
	x.decided = k.join()
	x.recut(k.at, k.slots)
	x.shareUnder(k.under(x.decided, k.slots))
}

// shareUnder shares under what is decided and lays the settings one after another.
func (x *shares) shareUnder(s *sharing) {
	for _, a := range x.points {
		a.parts = nil
	}
	settings, _ := s.solve()
	last := make([]float64, len(x.points))
	for i, t := range s.stretches {
		var mine []setting
		spent := 0.0
		for _, s := range settings {
			if s.stretch == i {
				mine, spent = append(mine, s), spent+s.hours
			}
		}
		if rest := t.hours - spent; rest >= second {
			mine = append(mine, setting{stretch: i, power: make([]float64, len(x.points)), hours: rest})
		}
		for _, m := range mine {
			for u, on := range t.on {
				if on {
					m.power[u] = math.Max(m.power[u], s.list[u].lowest())
				}
			}
		}
		last = x.lay(i, order(mine, last), last)
	}
}

// join puts slots together again where the same is decided in both, and returns the decisions for what remains.
func (k *keeping) join() decisions {
	state := slices.Clone(k.best)
	for u := range state {
		state[u] = slices.Clone(state[u])
	}
	same := func(i int) bool {
		a, b := k.slots[i], k.slots[i+1]
		if a.caps != b.caps || !slices.Equal(a.there, b.there) {
			return false
		}
		return !slices.ContainsFunc(k.switched, func(u int) bool { return state[u][i] != state[u][i+1] })
	}
	for i := 0; i+1 < len(k.slots); {
		if !same(i) {
			i++
			continue
		}
		k.slots[i].hours += k.slots[i+1].hours
		k.slots, k.at = slices.Delete(k.slots, i+1, i+2), slices.Delete(k.at, i+1, i+2)
		for _, u := range k.switched {
			state[u] = slices.Delete(state[u], i+1, i+2)
		}
	}
	return state
}

// mustsAt returns the musts where the stretches have these bounds.
func (x *shares) mustsAt(at []float64) []must {
	list := slices.Clone(x.s.musts)
	for k := range list {
		m := &list[k]
		for m.stretches = 0; m.stretches < len(at)-1 && at[m.stretches] < m.until-slack; m.stretches++ {
		}
	}
	return list
}

// got returns what settings give to a must, in kWh.
func (m *must) got(s *sharing, settings []setting) (kwh float64) {
	for _, x := range settings {
		if x.stretch >= m.stretches {
			continue
		}
		for u, p := range x.power {
			if s.list[u].device == m.device {
				kwh += p * x.hours
			}
		}
	}
	return math.Min(kwh, m.kwh)
}

// value returns what the points as they are set are worth, with what musts count over and above.
func (x *shares) value() float64 {
	total, _ := x.worth()
	for k, lack := range x.lacks() {
		total += x.s.bonus() * (x.s.musts[k].kwh - lack)
	}
	return total
}

// recut takes other stretches for the round.
func (x *shares) recut(at []float64, list []stretch) {
	times := make([]time.Time, len(list))
	for i := range list {
		times[i] = x.clock(at[i])
	}
	x.times, x.begins, x.s.stretches = times, at, list
	x.s.musts = x.mustsAt(at)
}
