package plan

import (
	"math"
	"slices"

	"spillway/actions"
)

// An autoPoint is a point that `auto` statements are on, as the sharing sees it.
type autoPoint struct {
	line  *line
	c     consumer
	names []actions.Value // by step of c
	perKW float64         // what 1 kW is in the point's unit, where any power can be set
	grain float64         // the point's unit is not set finer than this
	base  float64         // kW it draws at the least: its range does not reach down to nothing
	rank  [2]int          // window and statement of its first hold: the order of statements
	parts []part          // in the stretch being shared
	cad   cadence         // what least times ask of it
}

// A part is a time of a sharing, in hours from its beginning, from which a point is set to a power.
type part struct {
	at, kw float64
}

// cannotShare returns why auto cannot be worked out for the point; "" where it can.
func (p *planner) cannotShare(d *actions.Device, pt *actions.Point) string {
	if _, draws := p.premises.DrawW(d, pt, actions.Value{}); !draws {
		return "auto needs to know what it draws: give power, or draws on the point"
	}
	if _, known := p.premises.MaxDrawW(d, pt); !known {
		return "auto needs to know the most it draws: give power, or range on the point"
	}
	return ""
}

// startAuto lets what is under way go on until the sharing is worked out, so that it is in nobody's way.
func (p *planner) startAuto() {
	for _, l := range p.order {
		l.auto, l.down = l.auto[:0], l.down[:0]
		if h := l.holdCalled(p.holdOf(l.st.Step), false); l.st.Owed && h != nil && h.st.Want.Auto {
			list := l.autoOf(h)
			*list = append(*list, autoValue{at: p.now, value: l.st.Value})
		}
	}
}

// zeroOf returns what auto sets a point to where it takes nothing.
func (p *planner) zeroOf(l *line) actions.Value {
	if p.cannotShare(l.dev, l.pt) != "" {
		return actions.Value{}
	}
	return p.autoPoint(l).value(0)
}

// autoPoint describes a line to the sharing.
func (p *planner) autoPoint(l *line) *autoPoint {
	a := &autoPoint{line: l, c: consumer{worth: l.dev.Worth}}
	if a.c.worth <= 0 {
		a.c.worth = 1
	}
	for _, ph := range p.premises.PhasesOf(l.dev) {
		a.c.phases = append(a.c.phases, ph-1)
	}
	most, _ := p.premises.MaxDrawW(l.dev, l.pt)
	switch {
	case len(l.pt.Values) > 0:
		p.namedSteps(a)
	case l.dev.Kind == actions.Vehicle && l.pt.Unit == "A":
		a.amperes(p.premises.WPerA(l.dev)/1000, most/1000)
	default:
		one, _ := p.premises.DrawW(l.dev, l.pt, actions.Number(1))
		a.perKW, a.grain = 1000/one, grainOf(l.pt.Unit)
		if l.pt.HasRange && l.pt.Min > 0 {
			a.base = l.pt.Min / a.perKW
		}
		a.c.most = math.Max(0, most/1000-a.base)
	}
	return a
}

// namedSteps makes a step of every name that does not give back; of names that draw the same the normal, else the first.
func (p *planner) namedSteps(a *autoPoint) {
	type step struct {
		kw float64
		v  actions.Value
	}
	var list []step
	for i := range a.line.pt.Values {
		v := actions.Named(a.line.pt.Values[i].Name)
		if w, _ := p.premises.DrawW(a.line.dev, a.line.pt, v); w >= 0 {
			list = append(list, step{w / 1000, v})
		}
	}
	slices.SortStableFunc(list, func(x, y step) int {
		switch {
		case x.kw != y.kw:
			return int(math.Copysign(1, x.kw-y.kw))
		case x.v == a.line.normal:
			return -1
		case y.v == a.line.normal:
			return 1
		}
		return 0
	})
	list = slices.CompactFunc(list, func(x, y step) bool { return x.kw == y.kw })
	for i, s := range list {
		if i == 0 {
			a.base = s.kw
		}
		a.c.steps, a.names = append(a.c.steps, s.kw-a.base), append(a.names, s.v)
	}
}

// amperes makes the steps of a vehicle: nothing, or whole amperes within its current range (IEC 61851-1: none below 6 A).
func (a *autoPoint) amperes(kwPerA, most float64) {
	least, top := a.line.dev.CurrentRange()
	a.c.steps, a.names = []float64{0}, []actions.Value{actions.Number(0)}
	if a.line.pt.HasRange {
		least, top = math.Max(least, a.line.pt.Min), math.Min(top, a.line.pt.Max)
	}
	for x := math.Ceil(least - 1e-9); x <= top+1e-9 && x*kwPerA <= most+1e-9; x++ {
		a.c.steps, a.names = append(a.c.steps, x*kwPerA), append(a.names, actions.Number(x))
	}
}

// grainOf returns how finely a point in the unit is set.
func grainOf(unit string) float64 {
	switch unit {
	case "kW":
		return 0.001
	case "A":
		return 0.1
	}
	return 1
}

// value returns what the point is set to for a power of the sharing, never more than it.
func (a *autoPoint) value(kw float64) actions.Value {
	if a.names == nil {
		return actions.Number(tidy(math.Floor((kw+a.base)*a.perKW/a.grain+1e-6) * a.grain))
	}
	i, found := slices.BinarySearchFunc(a.c.steps, kw, func(s, kw float64) int {
		switch {
		case s < kw-1e-6:
			return -1
		case s > kw+1e-6:
			return 1
		}
		return 0
	})
	if !found && i > 0 {
		i--
	}
	return a.names[i]
}

// tidy takes the binary dust off a decimal fraction.
func tidy(x float64) float64 { return math.Round(x*1e6) / 1e6 }

// power is the way back from a value, known where the sharing could have set it.
func (a *autoPoint) power(v actions.Value) (kw float64, known bool) {
	if a.names == nil {
		return v.Number/a.perKW - a.base, v.IsNumber()
	}
	if i := slices.Index(a.names, v); i >= 0 {
		return a.c.steps[i], true
	}
	return 0, false
}

// mostInTurn bounds how many windows share that only follow one another: the cost of sharing grows faster than they do.
const mostInTurn = 12

// least returns what the point takes at the least, in kWh: its range may not reach down to nothing.
func (a *autoPoint) least(s *sharing, index int) (kwh float64) {
	if a.base > 0 {
		for _, t := range s.stretches {
			if t.there[index] {
				kwh += a.base * t.hours
			}
		}
	}
	return kwh
}
