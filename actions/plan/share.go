package plan

// A stretch is a time in which the caps and who is there stay the same.
type stretch struct {
	hours float64
	caps  [3]float64 // kW by phase
	there []bool     // by consumer
	on    []bool     // by consumer: it runs, at its lowest step at least, whether or not it is full; nil: none must
}

// A sharing asks how consumers should share what the supply leaves, so that the energy they take is worth most.
type sharing struct {
	list      []consumer
	need      []float64 // kWh by device; +Inf: without end
	stretches []stretch
	musts     []must // what is to be given before the rest is shared
	spent     int    // on what solve searched and pivoted, about in nodes by consumers
}

// A setting is what all consumers are set to, kept for some time of a stretch.
type setting struct {
	stretch int
	power   []float64 // kW by consumer
	hours   float64
}

// solve returns the settings that are worth most, and by how much they may fall short of that.
//
// Why it is optimal. Settings may change at any instant, so a plan is: for each stretch, how long each possible setting is
// kept. A setting is possible where it fits under the caps and uses only powers its consumers can be set to. The energy of a
// plan, what every device takes, and the time used are all linear in those durations; so the best plan is the optimum of a
// linear program with a row for each stretch (its hours) and one for each device that can be full (its need), and a column
// for each possible setting of each stretch. There are far too many columns to write down, but the simplex method only ever
// asks for one that gains, by the prices of the rows; which one gains most is a knapsack problem that the packer solves
// exactly, or where that takes long to a ten-thousandth. When it says that none gains, linear programming duality proves the
// plan best. Where every consumer takes any power this is the maximum flow from devices through stretches to the supply;
// steps (whole amperes, on and off) change the possible settings and nothing else. A basic solution keeps no more settings
// than there are rows, so the setpoints change seldom.
//
// Three hairs are put on the scales, so that ties fall the same way each time: earlier consumers, in statement order, and
// earlier stretches are worth a few millionths more, and time costs as little, so that all is taken as soon as it can be.
//
// Where there is more to search than mostEffort, or more to pivot than mostPivots, what is found by then is taken. short
// says by how much of it the best could be better at most: linear programming duality bounds that as well, with what no
// setting can be worth more than in place of what the best one is. 0: it is the best.
func (s *sharing) solve() (settings []setting, short float64) {
	g := s.pricing()
	lp := newSimplex(g.rows)
	b := make([]float64, g.rows)
	for i, t := range s.stretches {
		b[i] = t.hours
	}
	for d, r := range g.rowOf {
		if r >= 0 {
			b[r] = s.need[d]
		}
	}
	for k := range s.musts {
		b[g.rows-len(s.musts)+k] = s.musts[k].kwh
	}
	copy(lp.x, b)
	if !lp.run(g.price) || g.cut {
		lp.prices()
		short = g.short(lp.y, b)
	}
	lp.each(func(id int, x float64) {
		g.made[id].hours = x
		settings = append(settings, g.made[id])
	})
	s.spent = mostEffort - g.effort + len(g.made)*g.rows*len(s.list)
	return settings, short
}

const hair = 1e-6

// worth returns what 1 kWh of a consumer in a stretch is worth, with the two hairs.
func (s *sharing) worth(u, stretch int) float64 {
	first := hair * float64(len(s.list)-u)
	early := hair * 0.1 * float64(len(s.stretches)-stretch)
	return s.list[u].worth * (1 + first + early)
}
