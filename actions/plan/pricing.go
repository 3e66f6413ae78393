package plan

import (
	"math"
	"slices"
)

// A pricing finds the setting that gains most by the prices of the rows, for the simplex method to take in.
type pricing struct {
	s       *sharing
	rows    int
	rowOf   []int    // by device: its row; -1: it has none
	packers []packer // by stretch
	like    []int    // by stretch: the first with the same room for the same consumers
	effort  int
	made    []setting
	bonus   float64 // of 1 kWh of a must
	cut     bool    // when it last said that none gains, a search had been cut short
}

func (s *sharing) pricing() *pricing {
	g := &pricing{s: s, effort: mostEffort, packers: make([]packer, len(s.stretches))}
	g.rowOf, g.rows = s.rows()
	g.bonus = s.bonus()
	g.like = s.alike()
	shape := shapeOf(s.list)
	for i, t := range s.stretches {
		list, shape := s.list, shape
		if t.on != nil {
			list = s.running(t)
			shape = shapeOf(list)
		}
		g.packers[i] = packer{list: list, shape: shape, effort: &g.effort, value: make([]float64, len(s.list)), off: make([]bool, len(s.list))}
		for u := range s.list {
			g.packers[i].off[u] = !t.there[u]
		}
	}
	return g
}

// rows gives each device that can be full a row, after those of the stretches; -1: it has none. Those of the musts come last.
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
	return rowOf, rows + len(s.musts)
}

// price returns a setting that gains as a column, nil where there is none. A short search comes first: most of the time any
// setting that gains will do.
func (g *pricing) price(y []float64) (id int, col []float64, cost float64) {
	i, power := g.search(y, manyNodes)
	if power == nil && g.cut {
		i, power = g.search(y, mostNodes)
	}
	if power == nil {
		return 0, nil, 0
	}
	col = make([]float64, g.rows)
	col[i] = 1
	cost = -hair
	for u, p := range power {
		cost += p * g.s.worth(u, i)
		if r := g.rowOf[g.s.list[u].device]; r >= 0 {
			col[r] += p
		}
		for k := range g.s.musts {
			if r, gain := g.mustOf(k, u, i, y); gain > 0 {
				col[r] += p
				cost += p * g.bonus
			}
		}
	}
	g.made = append(g.made, setting{stretch: i, power: slices.Clone(power)})
	return len(g.made) - 1, col, cost
}

// search returns the setting that gains most, of those that are found with so many nodes, and its stretch.
func (g *pricing) search(y []float64, nodes int) (stretch int, power []float64) {
	most := 1e-7
	g.cut = false
	for i := range g.packers {
		k := &g.packers[i]
		g.value(i, y)
		var p []float64
		var worth float64
		if n := g.like[i]; n < i { // what is best there is so here
			p = g.packers[n].best
			for u, kw := range p {
				worth += kw * k.value[u]
			}
		} else {
			p, worth = k.pack(g.s.reserved(i), nodes)
			worth += g.s.addRunning(i, p, k.value)
			g.cut = g.cut || k.cut
		}
		if gain := worth - hair - y[i]; gain > most {
			stretch, most, power = i, gain, p
		}
	}
	return stretch, power
}

// value sets what 1 kW of each consumer is worth in a stretch, by the prices of the rows.
func (g *pricing) value(stretch int, y []float64) {
	for u := range g.s.list {
		v := g.s.worth(u, stretch)
		if r := g.rowOf[g.s.list[u].device]; r >= 0 {
			v -= y[r]
		}
		for k := range g.s.musts {
			_, gain := g.mustOf(k, u, stretch, y)
			v += gain
		}
		g.packers[stretch].value[u] = v
	}
}

// short returns by which part of what is found the best could be better: weak duality, with the rows' prices y and what
// they have, b.
func (g *pricing) short(y, b []float64) float64 {
	prices, most := make([]float64, len(y)), 0.0
	found := 0.0
	for r := range y {
		found += y[r] * b[r]
		prices[r] = math.Max(0, y[r])
		most += prices[r] * b[r]
	}
	for i := range g.packers {
		g.value(i, prices)
		ceiling := g.packers[i].ceiling(g.s.reserved(i)) + g.s.addRunning(i, make([]float64, len(g.s.list)), g.packers[i].value)
		most += g.s.stretches[i].hours * math.Max(0, ceiling-hair-prices[i])
	}
	if found <= 0 {
		return 1
	}
	return math.Max(0, most/found-1)
}
