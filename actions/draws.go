package actions

import "math"

// WaterWhPerLK is the heat that warms one litre of water by one kelvin: 4.186 kJ, taken as 1.163 Wh.
const WaterWhPerLK = 1.163

// PhasesOf returns the supply's phases that d draws on, alike: one of 1 to 3, or all of them.
func (p *Premises) PhasesOf(d *Device) []int {
	switch {
	case p.Supply.Phases != 3:
		return []int{1}
	case d.Phase >= 1 && d.Phase <= 3:
		return []int{d.Phase}
	}
	return []int{1, 2, 3}
}

// WPerA returns what one ampere drawn by d is in W: voltage times the phases it draws on.
func (p *Premises) WPerA(d *Device) float64 {
	return p.Supply.VoltageV * float64(len(p.PhasesOf(d)))
}

// DrawW returns what holding pt, a point of d, at v draws in W over all the phases d draws on; negative gives back. draws
// is false where the point takes no part in the sums: draws = false, a mode, a number in another unit, or a switch of a
// device whose power is not given. Of an unknown v the draw is 0.
func (p *Premises) DrawW(d *Device, pt *Point, v Value) (w float64, draws bool) {
	if pt.Draws.None || pt.Write == nil {
		return 0, false
	}
	if len(pt.Values) == 0 {
		per, ok := p.wPerUnit(d, pt.Unit)
		if !ok {
			return 0, false
		}
		if !v.IsNumber() {
			return 0, true
		}
		return v.Number * per, true
	}
	if len(pt.Draws.ByName) > 0 {
		return pt.Draws.ByName[v.Name], true
	}
	if !d.switches(pt) || d.PowerW <= 0 {
		return 0, false
	}
	if v.Name == "on" {
		return d.PowerW, true
	}
	return 0, true
}

// GivesBack reports whether pt, a point of d, has a value that gives back: a number in W, kW or A whose range goes below
// 0, or a name that draws less than nothing.
func (p *Premises) GivesBack(d *Device, pt *Point) bool {
	if _, draws := p.DrawW(d, pt, Value{}); !draws {
		return false
	}
	if len(pt.Values) == 0 {
		return pt.HasRange && pt.Min < 0
	}
	for i := range pt.Values {
		if w, _ := p.DrawW(d, pt, Named(pt.Values[i].Name)); w < 0 {
			return true
		}
	}
	return false
}

// Unfigured reports whether pt is a switch that surely draws and nobody said how much: the on/off point of a tank or load
// whose power is not given.
func (d *Device) Unfigured(pt *Point) bool {
	return !pt.Draws.None && pt.Write != nil && len(pt.Draws.ByName) == 0 && d.switches(pt) && d.PowerW <= 0
}

// switches reports whether pt is the on/off point of a tank or load.
func (d *Device) switches(pt *Point) bool {
	return (d.Kind == Tank || d.Kind == Load) && len(pt.Values) == 2 && pt.Value("on") != nil && pt.Value("off") != nil
}

// wPerUnit returns what one of a unit of power or current is in W.
func (p *Premises) wPerUnit(d *Device, unit string) (float64, bool) {
	switch unit {
	case "W":
		return 1, true
	case "kW":
		return 1000, true
	case "A":
		return p.WPerA(d), true
	}
	return 0, false
}

// MaxDrawW returns the most that pt, a point of d, can draw in W by its range or its names; known is false where it draws
// without a bound, or takes no part in the sums.
func (p *Premises) MaxDrawW(d *Device, pt *Point) (w float64, known bool) {
	if len(pt.Values) > 0 {
		for i := range pt.Values {
			x, draws := p.DrawW(d, pt, Named(pt.Values[i].Name))
			w, known = math.Max(w, x), known || draws
		}
		return w, known
	}
	per, ok := p.wPerUnit(d, pt.Unit)
	if !ok || pt.Draws.None || pt.Write == nil {
		return 0, false
	}
	most := math.Inf(1)
	if pt.HasRange {
		most = pt.Max * per
	}
	if d.PowerW > 0 {
		most = math.Min(most, d.PowerW)
	}
	if d.Kind == Vehicle && pt.Unit == "A" {
		_, a := d.CurrentRange()
		most = math.Min(most, a*per)
	}
	return math.Max(0, most), !math.IsInf(most, 1)
}

// CurrentRange returns the least and the most current a vehicle charges with, in A: 6 and 32 where not given. Below the
// least it does not charge (IEC 61851-1 signals no current under 6 A).
func (d *Device) CurrentRange() (least, most float64) {
	least, most = d.CurrentMinA, d.CurrentMaxA
	if least <= 0 {
		least = 6
	}
	if most <= 0 {
		most = 32
	}
	return least, most
}

// TargetLevel returns the level at which d is full: percent of a battery or vehicle (100 where none is set), °C of a tank.
// known is false for a load and for a tank without a target.
func (d *Device) TargetLevel() (level float64, known bool) {
	switch d.Kind {
	case Battery, Vehicle:
		if d.HasTarget {
			return d.Target, true
		}
		return 100, true
	case Tank:
		return d.Target, d.HasTarget
	}
	return 0, false
}

// FillWh returns the electrical energy that takes d from one level to another, in Wh, negative where to is lower: capacity
// x (to - from) / 100 / efficiency of a battery or vehicle, volume x 1.163 Wh/(L K) x (to - from) / COP of a tank. known
// is false where a figure is missing.
func (d *Device) FillWh(from, to float64) (wh float64, known bool) {
	per, known := d.whPerLevel()
	return per * (to - from), known
}

// whPerLevel returns the electrical energy of one percent, or one kelvin.
func (d *Device) whPerLevel() (wh float64, known bool) {
	switch d.Kind {
	case Battery, Vehicle:
		return d.CapacityWh / 100 / orOne(d.Efficiency), d.CapacityWh > 0
	case Tank:
		return d.VolumeL * WaterWhPerLK / orOne(d.COP), d.VolumeL > 0
	}
	return 0, false
}

// RoomWh returns the electrical energy d can take until it is full, in Wh, never negative. A vehicle's need counts instead
// of its level where need is known (in Wh). Where the level is not known the most a battery or vehicle can take counts:
// from empty. known is false where nothing bounds it.
func (d *Device) RoomWh(level, need Value) (wh float64, known bool) {
	if d.Kind == Vehicle && need.IsNumber() {
		return math.Max(0, need.Number), true
	}
	target, known := d.TargetLevel()
	if !known {
		return math.Inf(1), false
	}
	from := level.Number
	if !level.IsNumber() {
		if d.Kind == Tank {
			return math.Inf(1), false
		}
		from = 0
	}
	wh, known = d.FillWh(from, target)
	if !known {
		return math.Inf(1), false
	}
	return math.Max(0, wh), true
}

// Need returns what the readings say a vehicle needs, in Wh; unknown where it has no need or none can be read.
func (d *Device) Need(r Readings) Value {
	if d.NeedPoint == "" {
		if d.NeedWh > 0 {
			return Number(d.NeedWh)
		}
		return Value{}
	}
	v := r[Ref{d.Name, d.NeedPoint}].Value
	if !v.IsNumber() {
		return Value{}
	}
	if pt := d.Point(d.NeedPoint); pt != nil && pt.Unit == "kWh" {
		return Number(v.Number * 1000)
	}
	return v
}

// LevelNow returns what the readings say of the level of d, in percent or °C; unknown where it has none.
func (d *Device) LevelNow(r Readings) Value {
	if d.Level == "" {
		return Value{}
	}
	if v := r[Ref{d.Name, d.Level}].Value; v.IsNumber() {
		return v
	}
	return Value{}
}

// SpareWh returns the energy a battery can give back between two levels, in Wh at its terminals: capacity x (from - to) /
// 100 x efficiency, the one-way charging efficiency standing for both ways. known is false where a figure is missing.
func (d *Device) SpareWh(from, to float64) (wh float64, known bool) {
	if d.Kind != Battery && d.Kind != Vehicle || d.CapacityWh <= 0 {
		return 0, false
	}
	return math.Max(0, d.CapacityWh*(from-to)/100*orOne(d.Efficiency)), true
}

func orOne(x float64) float64 {
	if x <= 0 {
		return 1
	}
	return x
}
