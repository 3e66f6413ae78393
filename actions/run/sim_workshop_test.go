package run

import (
	"cmp"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"spillway/actions"
	"spillway/actions/house"
)

// Seeds from workshopSeeds on live in the world of the seed that is so much lower, with a workshop put in: devices that keep
// something, or may not be switched to and fro, and procedures that share, make room and use less. What is drawn for it comes
// from a stream of its own, after all else, so that the worlds of the lower seeds stay as they are.
const workshopSeeds = 1_000_000_000_000

func workshopSettings() []setting {
	return []setting{
		{ref("workshop_battery.power"), numbers(-2500, -1000, 0, 1500, 3000)},
		{ref("heat_pump.run"), named("off", "on")},
		{ref("dryer.run"), named("off", "on")},
	}
}

// addWorkshop puts the workshop into the world, with events for it and mishaps anywhere.
func (s *spec) addWorkshop(r *rand.Rand) {
	s.settings = append(slices.Clone(s.settings), workshopSettings()...)
	s.workshop = &house.Workshop{Battery: float64(12 + r.IntN(84)), BufferC: float64(37 + r.IntN(13)), HeatPump: r.IntN(3) > 0, Dryer: r.IntN(4) == 0}
	p := s.premises
	p.Links = append(p.Links, actions.Link{Name: house.LinkWorkshop, Spacing: time.Duration(r.IntN(4)) * 3 * time.Second,
		Timeout: time.Duration(10+r.IntN(11)) * time.Second, Confirm: 15 * time.Second, Tries: 2 + r.IntN(3)})
	slices.SortFunc(p.Links, func(a, b actions.Link) int { return cmp.Compare(a.Name, b.Name) })
	p.Devices = append(p.Devices, workshopDevices(r)...)
	slices.SortFunc(p.Devices, func(a, b actions.Device) int { return cmp.Compare(a.Name, b.Name) })
	if s.workshop.HeatPump { // it may draw by itself
		p.Supply.OtherLoadsW += house.HeatPumpW
	}
	if s.workshop.Dryer {
		p.Supply.OtherLoadsW += house.DryerW
	}
	if r.IntN(2) == 0 {
		p.Device(house.Van).Ready = []string{"00:30", "03:00", "06:15"}[r.IntN(3)]
	}
	q := drawer{r: r}
	for i := range 2 + r.IntN(3) {
		p.Procedures = append(p.Procedures, q.workshopProcedure(fmt.Sprintf("w%d", i)))
	}
	added := p.Procedures[len(p.Procedures)-len(workshopNames(p)):]
	for i := range 2 + r.IntN(4) {
		s.windows = append(s.windows, s.drawWorkshopWindow(r, i, added[r.IntN(len(added))].Name))
	}
	if n := len(s.mishaps); n > 0 && r.IntN(2) == 0 {
		s.drawMishaps(r)
	}
}

// workshopNames returns the names of the procedures that came with the workshop.
func workshopNames(p *actions.Premises) (names []string) {
	for i := range p.Procedures {
		if p.Procedures[i].Name[0] == 'w' {
			names = append(names, p.Procedures[i].Name)
		}
	}
	return names
}

func minutesOf(r *rand.Rand, list ...int) time.Duration {
	return time.Duration(list[r.IntN(len(list))]) * time.Minute
}

func workshopDevices(r *rand.Rand) []actions.Device {
	battery := actions.Device{Name: house.WorkshopBattery, Link: house.LinkWorkshop, Kind: actions.Battery, PowerW: house.WorkshopBatteryW,
		DischargeW: house.WorkshopBatteryW, CapacityWh: house.WorkshopBatteryWh, Efficiency: 0.95, FloorPercent: float64(5 + r.IntN(16)),
		Level: "charge_level", MakeRoom: r.IntN(3) > 0, MinHold: minutesOf(r, 0, 0, 3, 8)}
	if r.IntN(3) == 0 {
		battery.HasReserve, battery.Reserve = true, float64(20+r.IntN(30))
	}
	pump := actions.Device{Name: house.HeatPump, Link: house.LinkWorkshop, Kind: actions.Tank, PowerW: house.HeatPumpW, VolumeL: 300, COP: 3,
		Target: 50, HasTarget: true, Level: "temperature", MakeRoom: r.IntN(2) == 0,
		MinOn: minutesOf(r, 0, 10, 20, 35), MinOff: minutesOf(r, 0, 5, 10, 25), MinHold: minutesOf(r, 0, 0, 5, 10)}
	if r.IntN(2) == 0 {
		pump.HasReserve, pump.Reserve = true, float64(36+r.IntN(8))
	}
	dryer := actions.Device{Name: house.Dryer, Link: house.LinkWorkshop, Kind: actions.Load, PowerW: house.DryerW,
		MinOn: minutesOf(r, 5, 15, 30), MinOff: minutesOf(r, 0, 5, 15), MinHold: minutesOf(r, 0, 0, 4)}
	return []actions.Device{
		device(battery, number("power", "W", -house.WorkshopBatteryW, house.WorkshopBatteryW), gauge("charge_level", "%")),
		device(pump, number("run", "", 0, 0), gauge("temperature", "°C")),
		device(dryer, number("run", "", 0, 0)),
	}
}

// workshopProcedure draws statements on one to four devices, the workshop's and the van.
func (d drawer) workshopProcedure(name string) actions.Procedure {
	q := actions.Procedure{Name: name, Rank: []int{0, 5, 5, 10}[d.r.IntN(4)], Longest: 24 * time.Hour,
		Direction: []actions.Direction{actions.TurnUp, actions.TurnUp, actions.TurnDown, actions.Neither}[d.r.IntN(4)]}
	d.q = &q
	devices := []func(){d.workshopBattery, d.heatPump, d.dryer, d.sharingVan}
	d.r.Shuffle(len(devices), func(i, j int) { devices[i], devices[j] = devices[j], devices[i] })
	for _, draw := range devices[:1+d.r.IntN(4)] {
		draw()
	}
	return q
}

// direct draws the value of a point for the procedure's direction, or auto.
func (d drawer) direct(point string, up, down []actions.Value) actions.Statement {
	s := actions.Statement{Point: ref(point)}
	list := append(slices.Clone(up), down...)
	switch d.q.Direction {
	case actions.TurnUp:
		list = up
	case actions.TurnDown:
		list = down
	}
	if s.Want.Auto = d.one(2); !s.Want.Auto {
		s.Want.Value = list[d.r.IntN(len(list))]
	}
	return s
}

func (d drawer) workshopBattery() {
	s := d.direct("workshop_battery.power", numbers(1500, 3000), numbers(-2500, -1000, 0))
	if d.one(6) {
		s.For = d.minutes(5, 60)
	}
	d.during(s)
}

func (d drawer) heatPump() {
	s := d.direct("heat_pump.run", named("on"), named("off"))
	if d.one(6) {
		s.For = d.minutes(5, 60)
	}
	if d.one(8) {
		s.Guard = &actions.Guard{Point: ref("heat_pump.temperature"), Op: "<", Value: actions.Number(float64(40 + d.r.IntN(9)))}
	}
	d.during(s)
}

func (d drawer) dryer() {
	s := d.direct("dryer.run", named("on"), named("off"))
	switch {
	case d.one(6) && !s.Want.Auto:
		s.HasFrom, s.From = true, -d.minutes(2, 40)
		d.lead(s)
		return
	case d.one(4):
		s.For = d.minutes(5, 60)
	}
	d.during(s)
}

func (d drawer) sharingVan() {
	d.lead(actions.Statement{Point: ref("van.control"), Want: actions.Want{Value: actions.Named("remote")}})
	s := d.direct("van.current", numbers(6, 10, 16), numbers(0))
	if !d.one(4) {
		s.Guard = &actions.Guard{Point: ref("van.plugged"), Op: "=", Value: actions.Named("yes")}
	}
	d.during(s)
}

// drawWorkshopWindow draws a window that is as often as not so near another that least times come between them.
func (s *spec) drawWorkshopWindow(r *rand.Rand, i int, procedure string) actions.Window {
	from := s.start.Truncate(time.Minute).Add(time.Duration(10+r.IntN(300)) * time.Minute)
	length := time.Duration(5+r.IntN(100)) * time.Minute
	o := s.windows[r.IntN(len(s.windows))]
	switch r.IntN(6) {
	case 0:
		from = o.End
	case 1, 2:
		from = o.End.Add(time.Duration(r.IntN(30)-10) * time.Minute)
	case 3:
		from = o.Start.Add(time.Duration(r.IntN(30)) * time.Minute)
	}
	from = later(from, s.start.Truncate(time.Minute).Add(5*time.Minute))
	uid := fmt.Sprintf("workshop%d", i)
	return actions.Window{ID: actions.WindowID(uid, time.Time{}), UID: uid, Feed: feedName, Title: uid, Start: from, End: from.Add(length),
		Procedure: procedure, Priority: r.IntN(4)}
}

// known returns the premises as the program is told of them: all of them, but for what a breakage leaves out.
func (w *world) known() *actions.Premises {
	if !w.broken.restless && !w.broken.drains {
		return w.premises
	}
	p := *w.premises
	p.Devices = slices.Clone(p.Devices)
	for i := range p.Devices {
		d := &p.Devices[i]
		if w.broken.restless {
			d.MinOn, d.MinOff, d.MinHold = 0, 0, 0
		}
		if w.broken.drains {
			d.FloorPercent, d.HasReserve, d.Reserve = 0, false, 0
		}
	}
	return &p
}
