package run

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"spillway/actions"
	"spillway/actions/house"
)

// The premises of the simulation are those of [house.Site]; links, procedures and windows are drawn.

// A setting is one of their writable points, with values to hold it at.
type setting struct {
	ref    actions.Ref
	values []actions.Value
}

func numbers(list ...float64) (vs []actions.Value) {
	for _, x := range list {
		vs = append(vs, actions.Number(x))
	}
	return vs
}

func named(list ...string) (vs []actions.Value) {
	for _, x := range list {
		vs = append(vs, actions.Named(x))
	}
	return vs
}

func settings() []setting {
	return []setting{
		{ref("barn_battery.mode"), named("charge", "idle", "own_use")},
		{ref("barn_battery.charge_power"), numbers(1000, 2000, 3000, 4500)},
		{ref("barn_battery.charge_limit"), numbers(60, 95, 100)},
		{ref("house_battery.mode"), named("charge", "idle", "own_use")},
		{ref("house_battery.charge_power"), numbers(500, 1000, 2500)},
		{ref("house_battery.charge_limit"), numbers(55, 95, 100)},
		{ref("ice_bank.mode"), named("freeze", "rest", "own")},
		{ref("cylinder.boost"), named("on", "off")},
		{ref("cylinder.heating"), named("standby", "programme")},
		{ref("van.control"), named("remote", "local")},
		{ref("van.current"), numbers(6, 8, 10, 16)},
	}
}

// everySetting are the settings of premises with a workshop.
func everySetting() []setting { return append(settings(), workshopSettings()...) }

func valuesOf(ref actions.Ref) []actions.Value {
	for _, s := range settings() {
		if s.ref == ref {
			return s.values
		}
	}
	return nil
}

// drawPremises draws the links and the procedures on the same devices.
func drawPremises(r *rand.Rand) *actions.Premises {
	p := &actions.Premises{
		Zone:   time.UTC,
		Margin: []time.Duration{0, 30 * time.Second, 2 * time.Minute}[r.IntN(3)],
		// What the heat pump, the ice bank and the van's own timer may draw by themselves counts as other loads.
		Supply: actions.Supply{LimitW: house.FuseA * house.VoltageV, VoltageV: house.VoltageV, Phases: 1, OtherLoadsW: house.OtherLoadsW + 1100 + 2200 + 2300},
	}
	p.Links = []actions.Link{
		{Name: house.LinkBarn, Spacing: 15 * time.Second},
		{Name: house.LinkBoilerRoom, Spacing: time.Duration(r.IntN(3)) * 2 * time.Second},
		{Name: house.LinkHouse, Spacing: time.Duration(15+r.IntN(2)*5) * time.Second},
		{Name: house.LinkYard, Spacing: time.Duration(r.IntN(3)) * 3 * time.Second},
	}
	for i := range p.Links {
		l := &p.Links[i]
		l.Timeout, l.Confirm, l.Tries = time.Duration(10+r.IntN(11))*time.Second, 15*time.Second, 2+r.IntN(3)
	}
	p.Devices = []actions.Device{
		device(actions.Device{Name: house.BarnBattery, Link: house.LinkBarn, Kind: actions.Battery, PowerW: 5000, CapacityWh: 13500,
			Efficiency: 0.95, FloorPercent: 10, Level: "charge_level"},
			number("mode", "", 0, 0), number("charge_power", "W", 0, 5000), number("charge_limit", "%", 30, 100), gauge("charge_level", "%")),
		device(actions.Device{Name: house.Cylinder, Link: house.LinkBoilerRoom, Kind: actions.Tank, PowerW: 1100, VolumeL: 210, COP: 2.6,
			Target: 55, HasTarget: true, Level: "temperature"},
			number("boost", "", 0, 0), number("heating", "", 0, 0), gauge("temperature", "°C")),
		device(actions.Device{Name: house.HouseBattery, Link: house.LinkHouse, Kind: actions.Battery, PowerW: 3600, CapacityWh: 9600,
			Efficiency: 0.94, FloorPercent: 10, Level: "charge_level"},
			number("mode", "", 0, 0), number("charge_power", "W", 0, 3600), number("charge_limit", "%", 30, 100), gauge("charge_level", "%")),
		device(actions.Device{Name: house.IceBankName, Link: house.LinkBarn, Kind: actions.Load, PowerW: 2200},
			number("mode", "", 0, 0), gauge("ice", "%")),
		device(actions.Device{Name: house.Van, Link: house.LinkYard, Kind: actions.Vehicle, PowerW: 7360, NeedPoint: "need",
			CurrentMinA: 6, CurrentMaxA: 32},
			number("control", "", 0, 0), number("current", "A", 0, 32), gauge("need", "kWh"), gauge("plugged", "")),
	}
	p.Point(ref("cylinder.boost")).Normal = actions.Named("off")
	p.Point(ref("ice_bank.mode")).Draws = actions.Draws{ByName: map[string]float64{"freeze": 2200}}
	if r.IntN(8) == 0 { // one that cannot be read back
		ice := p.Point(ref("ice_bank.mode"))
		ice.Read, ice.Normal = nil, actions.Named("own")
	}
	for i := range 2 + r.IntN(3) {
		p.Procedures = append(p.Procedures, drawProcedure(r, fmt.Sprintf("p%d", i)))
	}
	return p
}

func device(d actions.Device, points ...actions.Point) actions.Device {
	d.Enabled, d.Worth = true, 1
	if d.COP == 0 {
		d.COP = 1
	}
	for _, p := range points {
		p.Ref.Device = d.Name
		for _, s := range everySetting() {
			if s.ref == p.Ref && s.values[0].Name != "" {
				for _, v := range s.values {
					p.Values = append(p.Values, actions.NamedValue{Name: v.Name, Wire: v.Name})
				}
				slices.SortFunc(p.Values, func(a, b actions.NamedValue) int { return compare(a.Name, b.Name) })
			}
		}
		d.Points = append(d.Points, p)
	}
	slices.SortFunc(d.Points, func(a, b actions.Point) int { return a.Ref.Compare(b.Ref) })
	return d
}

func compare(a, b string) int { return actions.Ref{Device: a}.Compare(actions.Ref{Device: b}) }

func number(name, unit string, least, most float64) actions.Point {
	p := actions.Point{Ref: actions.Ref{Point: name}, Write: &actions.Address{}, Read: &actions.Address{}, Unit: unit, Min: least, Max: most}
	p.HasRange = most > 0
	if p.HasRange {
		p.Tolerance = actions.Tolerance{Percent: 1}
	}
	return p
}

func gauge(name, unit string) actions.Point {
	return actions.Point{Ref: actions.Ref{Point: name}, Read: &actions.Address{}, Unit: unit, Tolerance: actions.Tolerance{Percent: 1}}
}

// drawProcedure draws statements on one to four devices.
func drawProcedure(r *rand.Rand, name string) actions.Procedure {
	q := actions.Procedure{Name: name, Rank: []int{0, 5, 5, 10}[r.IntN(4)], Longest: 24 * time.Hour}
	d := drawer{r, &q}
	devices := []func(){d.battery(house.BarnBattery), d.battery(house.HouseBattery), d.ice, d.cylinder, d.van}
	r.Shuffle(len(devices), func(i, j int) { devices[i], devices[j] = devices[j], devices[i] })
	for _, draw := range devices[:1+r.IntN(4)] {
		draw()
	}
	r.Shuffle(len(q.During), func(i, j int) { q.During[i], q.During[j] = q.During[j], q.During[i] })
	return q
}

type drawer struct {
	r *rand.Rand
	q *actions.Procedure
}

func (d drawer) one(in int) bool { return d.r.IntN(in) == 0 }

func (d drawer) lead(s actions.Statement)   { d.q.LeadIn = append(d.q.LeadIn, d.text(s)) }
func (d drawer) during(s actions.Statement) { d.q.During = append(d.q.During, d.text(s)) }

func (d drawer) text(s actions.Statement) actions.Statement {
	s.Text = fmt.Sprintf("%s = %s", s.Point, s.Want)
	if s.HasFrom {
		s.Text += fmt.Sprintf(" from %s", s.From)
	}
	if s.For > 0 {
		s.Text += fmt.Sprintf(" for %s", s.For)
	}
	if s.Wait > 0 {
		s.Text += fmt.Sprintf(" wait %s", s.Wait)
	}
	if s.Guard != nil {
		s.Text += fmt.Sprintf(" if %s", s.Guard)
	}
	return s
}

func (d drawer) hold(point string) actions.Statement {
	r := ref(point)
	vs := valuesOf(r)
	s := actions.Statement{Point: r, Want: actions.Want{Value: vs[d.r.IntN(len(vs))]}}
	if d.one(20) {
		s.Want = actions.Want{Normal: true}
	}
	return s
}

func (d drawer) minutes(least, most int) time.Duration {
	return time.Duration(least+d.r.IntN(most-least)) * time.Minute
}

func (d drawer) battery(name string) func() {
	return func() {
		for _, p := range []string{".charge_limit", ".charge_power"} {
			if s := d.hold(name + p); !d.one(3) {
				if d.one(6) {
					s.Wait = d.minutes(0, 2) + 20*time.Second
				}
				if d.one(8) {
					s.HasFrom, s.From = true, -d.minutes(2, 60)
				}
				d.lead(s)
			}
		}
		mode := d.hold(name + ".mode")
		if d.one(5) {
			mode.For = d.minutes(5, 60)
		}
		if d.one(6) {
			mode.Guard = &actions.Guard{Point: ref(name + ".charge_level"), Op: "<", Value: actions.Number(float64(30 + d.r.IntN(60)))}
		}
		d.during(mode)
		if d.one(6) {
			d.during(d.hold(name + ".charge_power"))
		}
	}
}

func (d drawer) ice() {
	s := d.hold("ice_bank.mode")
	if d.one(3) {
		s.For = d.minutes(5, 60)
	}
	if d.one(5) {
		s.HasFrom, s.From = true, -d.minutes(5, 90)
		d.lead(s)
		return
	}
	d.during(s)
}

func (d drawer) cylinder() {
	if d.one(2) {
		s := d.hold("cylinder.heating")
		s.HasFrom, s.From = true, -d.minutes(20, 120)
		d.lead(s)
	}
	boost := actions.Statement{Point: ref("cylinder.boost"), Want: actions.Want{Value: actions.Named("on")}, For: d.minutes(5, 26)}
	if d.one(3) {
		boost.Guard = &actions.Guard{Point: ref("cylinder.temperature"), Op: "<", Value: actions.Number(54)}
	}
	d.during(boost)
}

func (d drawer) van() {
	if !d.one(10) {
		d.lead(actions.Statement{Point: ref("van.control"), Want: actions.Want{Value: actions.Named("remote")}})
	}
	s := d.hold("van.current")
	if !d.one(4) {
		s.Guard = &actions.Guard{Point: ref("van.plugged"), Op: "=", Value: actions.Named("yes")}
	}
	d.during(s)
}
