package plan

import (
	"math"
	"slices"
)

// What must run in a stretch keeps its lowest step of the caps for itself, whether or not its device is full: a setpoint is
// no draw. So it is taken off the caps, and what the packer chooses for it comes on top.

// running returns the consumers as the packer sees them in a stretch: of those that must run, what comes on top.
func (s *sharing) running(t stretch) []consumer {
	if t.on == nil {
		return s.list
	}
	list := append([]consumer(nil), s.list...)
	for u, on := range t.on {
		if !on {
			continue
		}
		low := list[u].lowest()
		if len(list[u].steps) == 0 {
			list[u].most -= low
			continue
		}
		steps := []float64{0}
		for _, p := range list[u].steps {
			if p > low {
				steps = append(steps, p-low)
			}
		}
		list[u].steps = steps
	}
	return list
}

// idling is the part of its most that a consumer of any power draws at the least while it must run.
const idling = 0.02

// lowest returns the least that a consumer draws while it runs.
func (c *consumer) lowest() float64 {
	if len(c.steps) == 0 {
		return idling * c.most
	}
	for _, p := range c.steps {
		if p > 0 {
			return p
		}
	}
	return 0
}

// reserved returns the caps of a stretch without what must run in it.
func (s *sharing) reserved(i int) [3]float64 {
	t := &s.stretches[i]
	caps := t.caps
	for u, on := range t.on {
		if on {
			c := &s.list[u]
			for _, ph := range c.phases {
				caps[ph] = math.Max(0, caps[ph]-c.lowest()/float64(len(c.phases)))
			}
		}
	}
	return caps
}

// addRunning adds the lowest steps of what must run to a setting, where they are worth something, and returns what they
// are worth.
func (s *sharing) addRunning(i int, power, value []float64) (worth float64) {
	for u, on := range s.stretches[i].on {
		if on && value[u] > 0 {
			low := s.list[u].lowest()
			power[u] += low
			worth += low * value[u]
		}
	}
	return worth
}

// alike returns for each stretch the first that has the same room for the same consumers: what is the best setting of one is
// that of the other, but for a hair.
func (s *sharing) alike() []int {
	first := make([]int, len(s.stretches))
	for i := range s.stretches {
		t := &s.stretches[i]
		for first[i] = 0; first[i] < i; first[i]++ {
			if t.on == nil {
				continue // few stretches, in which a hair may count
			}
			if o := &s.stretches[first[i]]; o.caps == t.caps && slices.Equal(o.there, t.there) && slices.Equal(o.on, t.on) && s.alikeFor(first[i], i) {
				break
			}
		}
	}
	return first
}

// alikeFor reports whether two stretches count to the same musts.
func (s *sharing) alikeFor(i, j int) bool {
	return !slices.ContainsFunc(s.musts, func(m must) bool { return i < m.stretches && j >= m.stretches })
}
