package plan

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func anyPower(device int, most float64) consumer {
	return consumer{device: device, worth: 1, phases: []int{0}, most: most}
}

func onOff(device int, p float64) consumer {
	return consumer{device: device, worth: 1, phases: []int{0}, steps: []float64{0, p}}
}

func amperes(device, least, most int, kwPerA float64, phases ...int) consumer {
	steps := []float64{0}
	for a := least; a <= most; a++ {
		steps = append(steps, float64(a)*kwPerA)
	}
	if len(phases) == 0 {
		phases = []int{0}
	}
	return consumer{device: device, worth: 1, phases: phases, steps: steps}
}

func (s *sharing) total(t *testing.T) (kwh float64) {
	t.Helper()
	list, short := s.solve()
	if short > 0 {
		t.Errorf("not proven: the best may take %v more", short)
	}
	return s.check(t, list)
}

// check fails where the settings break a cap, a step, a need or the hours, and returns the energy.
func (s *sharing) check(t interface {
	Helper()
	Fatalf(string, ...any)
}, list []setting) (kwh float64) {
	t.Helper()
	hours := make([]float64, len(s.stretches))
	taken := make([]float64, len(s.need))
	for _, x := range list {
		hours[x.stretch] += x.hours
		var load [3]float64
		for u, p := range x.power {
			c := &s.list[u]
			if p > 0 && !s.stretches[x.stretch].there[u] {
				t.Fatalf("consumer %d draws where it is not", u)
			}
			if len(c.steps) > 0 {
				near := false
				for _, q := range c.steps {
					near = near || math.Abs(p-q) < 1e-9
				}
				if !near {
					t.Fatalf("consumer %d draws %v, no step of it", u, p)
				}
			} else if p > c.most+1e-9 {
				t.Fatalf("consumer %d draws %v, more than %v", u, p, c.most)
			}
			for _, ph := range c.phases {
				load[ph] += p / float64(len(c.phases))
			}
			taken[c.device] += p * x.hours
			kwh += p * x.hours
		}
		for ph, l := range load {
			if l > s.stretches[x.stretch].caps[ph]+1e-6 {
				t.Fatalf("phase %d carries %v of %v", ph, l, s.stretches[x.stretch].caps[ph])
			}
		}
	}
	for i, h := range hours {
		if h > s.stretches[i].hours+1e-6 {
			t.Fatalf("stretch %d is used %v of %v h", i, h, s.stretches[i].hours)
		}
	}
	for d, e := range taken {
		if e > s.need[d]+1e-6 {
			t.Fatalf("device %d takes %v of %v kWh", d, e, s.need[d])
		}
	}
	return kwh
}

func same(hours float64, caps ...float64) (list []stretch) {
	for _, c := range caps {
		list = append(list, stretch{hours: hours, caps: [3]float64{c}})
	}
	return list
}

func there(list []stretch, n int, absent map[int][]int) []stretch {
	for i := range list {
		list[i].there = make([]bool, n)
		for u := range n {
			list[i].there[u] = true
		}
		for _, u := range absent[i] {
			list[i].there[u] = false
		}
	}
	return list
}

// Reference instances of sharing worked with two solvers (glpsol 5.0 and HiGHS 1.15.3 agree on them): the greatest energy
// in kWh. With fixed half hours the solvers may not switch inside one, so what is found here may be more, never less.
func TestReferenceInstances(t *testing.T) {
	inf := math.Inf(1)
	for _, c := range []struct {
		name string
		s    sharing
		want float64
		more bool // switching inside a stretch may gain
	}{
		{"I1", sharing{list: []consumer{anyPower(0, 5), anyPower(1, 3), anyPower(2, 7.36)}, need: []float64{4, 6, 20},
			stretches: there(same(0.5, 13.0, 12.6), 3, nil)}, 12.8, false},
		{"I2 availability", sharing{list: []consumer{anyPower(0, 7), anyPower(1, 7.36)}, need: []float64{3.5, inf},
			stretches: there(same(0.5, 7.4, 7.4), 2, map[int][]int{1: {1}})}, 7.18, false},
		{"I3 whole amperes", sharing{list: []consumer{onOff(0, 3), amperes(1, 6, 32, 0.23)}, need: []float64{inf, inf},
			stretches: there(same(1, 4), 2, nil)}, 3.91, false},
		{"I4 two switches and a vehicle", sharing{list: []consumer{onOff(0, 3), onOff(1, 2.5), amperes(2, 6, 16, 0.23)}, need: []float64{inf, inf, inf},
			stretches: there(same(1, 7), 3, nil)}, 6.88, false},
		{"I5 four half hours", sharing{list: []consumer{anyPower(0, 5), onOff(1, 3), onOff(2, 2.2), amperes(3, 6, 32, 0.23)}, need: []float64{10, 5.2325, 4.4, 12},
			stretches: there(same(0.5, 13.2, 12.0, 11.4, 13.1), 4, map[int][]int{0: {3}})}, 23.35, true},
		{"I6 three phases", sharing{list: []consumer{amperes(0, 6, 16, 0.69, 0, 1, 2), {device: 1, worth: 1, phases: []int{0}, steps: []float64{0, 13 * 0.23}},
			{device: 2, worth: 1, phases: []int{1}, most: 16 * 0.23}}, need: []float64{inf, inf, inf},
			stretches: there([]stretch{{hours: 1, caps: [3]float64{21 * 0.23, 23 * 0.23, 24 * 0.23}}}, 3, nil)}, 12.65, false},
		{"I8 no fixed order works", sharing{list: []consumer{onOff(0, 3), onOff(1, 2.5), onOff(2, 2.2)}, need: []float64{inf, inf, inf},
			stretches: there(same(0.5, 5.2, 4.7, 5.5), 3, nil)}, 7.70, false},
		{"I9 maximum flow", sharing{list: []consumer{anyPower(0, 7.36), anyPower(1, 3), anyPower(2, 5)}, need: []float64{6, 2.5, 4},
			stretches: there(same(0.5, 9, 6, 12), 3, map[int][]int{0: {2}, 2: {0}})}, 11.5, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := c.s.total(t)
			if got < c.want-1e-5 || !c.more && got > c.want+1e-5 {
				t.Errorf("got %v kWh, want %v", got, c.want)
			}
		})
	}
}

// Every setting of a small instance tried, the packer finds the best.
func TestPackAgainstEverySetting(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := packer{}
		for range rapid.IntRange(1, 4).Draw(t, "consumers") {
			phases := rapid.SampledFrom([][]int{{0}, {1}, {2}, {0, 1, 2}}).Draw(t, "phases")
			c := consumer{phases: phases, steps: []float64{0}}
			for range rapid.IntRange(1, 3).Draw(t, "steps") {
				c.steps = append(c.steps, c.steps[len(c.steps)-1]+float64(rapid.IntRange(1, 40).Draw(t, "step"))/10)
			}
			k.list = append(k.list, c)
			k.value = append(k.value, float64(rapid.IntRange(-1, 4).Draw(t, "value"))/2)
			k.off = append(k.off, rapid.IntRange(0, 5).Draw(t, "off") == 0)
		}
		var caps [3]float64
		for ph := range caps {
			caps[ph] = float64(rapid.IntRange(0, 100).Draw(t, "cap")) / 10
		}
		k.shape = shapeOf(k.list)
		_, got := k.pack(caps, mostNodes)
		if want := everySetting(&k, 0, caps); math.Abs(got-want) > 1e-6 {
			t.Fatalf("got %v, want %v", got, want)
		}
	})
}

func everySetting(k *packer, u int, left [3]float64) (best float64) {
	if u == len(k.list) {
		return 0
	}
	best = everySetting(k, u+1, left)
	for _, p := range k.list[u].steps {
		if k.off[u] || !fits(&k.list[u], p, left) {
			continue
		}
		next := left
		for _, ph := range k.list[u].phases {
			next[ph] -= p / float64(len(k.list[u].phases))
		}
		best = math.Max(best, p*k.value[u]+everySetting(k, u+1, next))
	}
	return best
}

// Where every consumer takes any power, sharing is a maximum flow: by the theorem of Ford and Fulkerson its value is that
// of the least cut, found here by trying every set of devices and stretches.
func TestSharingAgainstLeastCut(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n, m := rapid.IntRange(1, 4).Draw(t, "devices"), rapid.IntRange(1, 4).Draw(t, "stretches")
		s := sharing{}
		for d := range n {
			s.list = append(s.list, anyPower(d, float64(rapid.IntRange(1, 80).Draw(t, "most"))/10))
			s.need = append(s.need, float64(rapid.IntRange(1, 80).Draw(t, "need"))/10)
		}
		for range m {
			x := stretch{hours: float64(rapid.IntRange(1, 8).Draw(t, "hours")) / 4, caps: [3]float64{float64(rapid.IntRange(0, 150).Draw(t, "cap")) / 10}}
			for range n {
				x.there = append(x.there, rapid.IntRange(0, 3).Draw(t, "there") > 0)
			}
			s.stretches = append(s.stretches, x)
		}
		list, short := s.solve()
		if got, want := s.check(t, list), leastCut(&s); short > 0 || math.Abs(got-want) > 1e-4 {
			t.Fatalf("got %v kWh (%v more), the least cut is %v", got, short, want)
		}
	})
}

func leastCut(s *sharing) float64 {
	least := math.Inf(1)
	for devices := range 1 << len(s.list) {
		for times := range 1 << len(s.stretches) {
			cut := 0.0
			for d := range s.list {
				if devices&(1<<d) == 0 {
					cut += s.need[d]
				}
				for i, x := range s.stretches {
					if devices&(1<<d) != 0 && times&(1<<i) == 0 && x.there[d] {
						cut += s.list[d].most * x.hours
					}
				}
			}
			for i, x := range s.stretches {
				if times&(1<<i) != 0 {
					cut += x.caps[0] * x.hours
				}
			}
			least = math.Min(least, cut)
		}
	}
	return least
}

// What fills the phases where some draw on all three, against a linear program with a row for each phase and one for each
// consumer's most.
func TestFillAgainstLinearProgram(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := packer{}
		for i := range rapid.IntRange(1, 7).Draw(t, "consumers") {
			k.list = append(k.list, consumer{device: i, phases: rapid.SampledFrom([][]int{{0}, {1}, {2}, {0, 1, 2}}).Draw(t, "phases"),
				most: float64(rapid.IntRange(1, 60).Draw(t, "most")) / 10})
			k.value = append(k.value, float64(rapid.IntRange(1, 9).Draw(t, "value"))/4)
			k.off = append(k.off, false)
		}
		var caps [3]float64
		for ph := range caps {
			caps[ph] = float64(rapid.IntRange(0, 80).Draw(t, "cap")) / 10
		}
		k.shape = shapeOf(k.list)
		set, got := k.pack(caps, mostNodes)
		if want := fillByProgram(&k, caps); math.Abs(got-want) > 1e-6 {
			t.Fatalf("got %v, want %v", got, want)
		}
		for u := range k.list {
			for _, ph := range k.list[u].phases {
				caps[ph] -= set[u] / float64(len(k.list[u].phases))
			}
			if set[u] > k.list[u].most+1e-9 {
				t.Fatalf("%d is set to %v", u, set[u])
			}
		}
		if min(caps[0], caps[1], caps[2]) < -1e-9 {
			t.Fatalf("over the caps: %v are left", caps)
		}
	})
}

func fillByProgram(k *packer, left [3]float64) (worth float64) {
	rows := 3 + len(k.list)
	lp := newSimplex(rows)
	copy(lp.x, left[:])
	columns := make([][]float64, len(k.list))
	for u := range k.list {
		lp.x[3+u] = k.list[u].most
		columns[u] = make([]float64, rows)
		for _, ph := range k.list[u].phases {
			columns[u][ph] = 1 / float64(len(k.list[u].phases))
		}
		columns[u][3+u] = 1
	}
	lp.run(func(y []float64) (int, []float64, float64) {
		best, most := -1, 1e-9
		for u := range k.list {
			gain := k.value[u]
			for r, a := range columns[u] {
				gain -= y[r] * a
			}
			if gain > most {
				best, most = u, gain
			}
		}
		if best < 0 {
			return 0, nil, 0
		}
		return best, columns[best], k.value[best]
	})
	lp.each(func(u int, x float64) { worth += x * k.value[u] })
	return worth
}
