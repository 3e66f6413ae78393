package plan

import "math"

// A stretch is a time in which the caps and who is there stay the same.
type stretch struct {
	hours float64
	caps  [3]float64 // kW by phase
	there []bool     // by consumer
}

// A sharing asks how consumers should share what the supply leaves, so that the energy they take is worth most.
type sharing struct {
	list      []consumer
	need      []float64 // kWh by device; +Inf: without end
	stretches []stretch
}

// A setting is what all consumers are set to, kept for some time of a stretch.
type setting struct {
	stretch int
	power   []float64 // kW by consumer
	hours   float64
}

// solve returns the settings that are worth most, and whether that is proven.
//
// Why it is optimal. Settings may change at any instant, so a plan is: for each stretch, how long each possible setting is
// kept. A setting is possible where it fits under the caps and uses only powers its consumers can be set to. The energy of a
// plan, what every device takes, and the time used are all linear in those durations; so the best plan is the optimum of a
// linear program with a row for each stretch (its hours) and one for each device that can be full (its need), and a column
// for each possible setting of each stretch. There are far too many columns to write down, but the simplex method only ever
// asks for one that gains, by the prices of the rows; which one gains most is a knapsack problem that the packer solves
// exactly. When it says that none gains, linear programming duality proves the plan best. Where every consumer takes any
// power this is the maximum flow from devices through stretches to the supply; steps (whole amperes, on and off) change the
// possible settings and nothing else. A basic solution keeps no more settings than there are rows, so the setpoints change
// seldom.
//
// Three hairs are put on the scales, so that ties fall the same way each time: earlier consumers, in statement order, and
// earlier stretches are worth a few millionths more, and time costs as little, so that all is taken as soon as it can be.
func (s *sharing) solve() (settings []setting, proven bool) {
	rowOf, rows := s.rows()
	lp := newSimplex(rows)
	for i, t := range s.stretches {
		lp.x[i] = t.hours
	}
	for d, r := range rowOf {
		if r >= 0 {
			lp.x[r] = s.need[d]
		}
	}
	packers := make([]packer, len(s.stretches))
	for i, t := range s.stretches {
		packers[i] = packer{list: s.list, value: make([]float64, len(s.list)), off: make([]bool, len(s.list))}
		for u := range s.list {
			packers[i].off[u] = !t.there[u]
		}
	}
	var made []setting
	done := lp.run(func(y []float64) (int, []float64, float64) {
		best, most := -1, 1e-7
		var power []float64
		for i := range s.stretches {
			for u := range s.list {
				packers[i].value[u] = s.worth(u, i)
				if r := rowOf[s.list[u].device]; r >= 0 {
					packers[i].value[u] -= y[r]
				}
			}
			p, worth := packers[i].pack(s.stretches[i].caps)
			if gain := worth - hair - y[i]; gain > most {
				best, most, power = i, gain, p
			}
		}
		if best < 0 {
			return 0, nil, 0
		}
		col := make([]float64, rows)
		col[best] = 1
		cost := -hair
		for u, p := range power {
			cost += p * s.worth(u, best)
			if r := rowOf[s.list[u].device]; r >= 0 {
				col[r] += p
			}
		}
		made = append(made, setting{stretch: best, power: append([]float64(nil), power...)})
		return len(made) - 1, col, cost
	})
	lp.each(func(id int, x float64) {
		made[id].hours = x
		settings = append(settings, made[id])
	})
	proven = done
	for i := range packers {
		proven = proven && !packers[i].cut
	}
	return settings, proven
}

// rows gives each device that can be full a row, after those of the stretches; -1: it has none.
func (s *sharing) rows() (rowOf []int, rows int) {
	rows = len(s.stretches)
	rowOf = make([]int, len(s.need))
	for d, need := range s.need {
		rowOf[d] = -1
		if !math.IsInf(need, 1) {
			rowOf[d] = rows
			rows++
		}
	}
	return rowOf, rows
}

const hair = 1e-6

// worth returns what 1 kWh of a consumer in a stretch is worth, with the two hairs.
func (s *sharing) worth(u, stretch int) float64 {
	first := hair * float64(len(s.list)-u)
	early := hair * 0.1 * float64(len(s.stretches)-stretch)
	return s.list[u].worth * (1 + first + early)
}
