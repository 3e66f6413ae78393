package actions

import (
	"math"
	"testing"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if math.Abs(got-want) > tol {
		t.Errorf("%s: got %v, want %v", what, got, want)
	}
}

// Volume x 1.163 Wh/(L K) x rise; the published minutes are a supplier's table of heating times, 10 to 50 °C
// (energy-stats.uk, "hot water cylinder sizing and mixing"), read with 3 % tolerance because its larger columns are
// multiples of a rounded figure.
func TestTankAgainstPublishedMinutes(t *testing.T) {
	for _, c := range []struct{ litres, kw, minutes float64 }{
		{50, 3, 47}, {100, 3, 94}, {150, 3, 140}, {200, 3, 187}, {250, 3, 233}, {300, 3, 280},
		{100, 5, 56}, {200, 5, 112}, {300, 5, 168}, {150, 7, 60}, {200, 10, 56}, {300, 10, 84},
	} {
		d := Device{Kind: Tank, VolumeL: c.litres, Target: 50, HasTarget: true}
		wh, ok := d.RoomWh(Number(10), Value{})
		if !ok {
			t.Fatal("room of a tank with every figure is not known")
		}
		near(t, "minutes", wh/c.kw/1000*60, c.minutes, 0.03*c.minutes)
	}
}

// Physics by hand: 4.186 kJ/(kg K), 1 kg/L; 1.163 is 4.1868/3.6.
func TestTankSums(t *testing.T) {
	for _, c := range []struct{ litres, cop, from, to, kwh float64 }{
		{200, 1, 20, 50, 6.9767}, {200, 3, 20, 50, 2.3256}, {150, 1, 15, 60, 7.8488},
		{210, 1, 10, 60, 12.2092}, {180, 1, 40, 55, 3.1395}, {300, 1, 15, 60, 15.6975},
	} {
		d := Device{Kind: Tank, VolumeL: c.litres, COP: c.cop, Target: c.to, HasTarget: true}
		wh, _ := d.RoomWh(Number(c.from), Value{})
		near(t, "kWh", wh/1000, c.kwh, 0.0003*c.kwh) // 1.163 against 4.186 / 3.6
	}
}

// Textbook: E = C (SoC1 - SoC0) / efficiency; worked by hand.
func TestBatterySums(t *testing.T) {
	d := Device{Kind: Battery, CapacityWh: 10000, Efficiency: 0.95, Target: 90, HasTarget: true}
	wh, _ := d.RoomWh(Number(40), Value{})
	near(t, "fill", wh, 5263.158, 0.001)
	spare, _ := d.SpareWh(90, 40)
	near(t, "give back", spare, 4750, 0.001)
	if wh, _ := d.RoomWh(Number(95), Value{}); wh != 0 {
		t.Errorf("a battery above its target has room for %v Wh", wh)
	}
	wh, ok := d.RoomWh(Value{}, Value{})
	if !ok {
		t.Error("an unread battery takes at most what an empty one does")
	}
	near(t, "unread", wh, 9473.684, 0.001)
}

func TestVehicleNeedCountsInsteadOfLevel(t *testing.T) {
	d := Device{Name: "van", Kind: Vehicle, CapacityWh: 50000, NeedPoint: "need",
		Points: []Point{{Ref: Ref{"van", "need"}, Unit: "kWh"}}}
	r := Readings{{"van", "need"}: {Value: Number(7.5)}}
	wh, _ := d.RoomWh(Number(10), d.Need(r))
	near(t, "need", wh, 7500, 0)
}

// kW = A x 0.230 on one phase, A x 0.690 on three (arithmetic).
func TestDraws(t *testing.T) {
	w := &Address{}
	named := func(names ...string) (v []NamedValue) {
		for _, n := range names {
			v = append(v, NamedValue{Name: n, Wire: n})
		}
		return v
	}
	onOff := named("off", "on")
	one := &Premises{Supply: Supply{VoltageV: 230, Phases: 1}}
	three := &Premises{Supply: Supply{VoltageV: 230, Phases: 3}}
	for _, c := range []struct {
		name  string
		p     *Premises
		d     Device
		pt    Point
		v     Value
		w     float64
		draws bool
	}{
		{"amperes, one phase", one, Device{Kind: Vehicle}, Point{Write: w, Unit: "A"}, Number(32), 7360, true},
		{"amperes, three phases", three, Device{Kind: Vehicle}, Point{Write: w, Unit: "A"}, Number(16), 11040, true},
		{"amperes, one of three phases", three, Device{Kind: Vehicle, Phase: 2}, Point{Write: w, Unit: "A"}, Number(16), 3680, true},
		{"watts", one, Device{Kind: Battery}, Point{Write: w, Unit: "W"}, Number(5000), 5000, true},
		{"discharge", one, Device{Kind: Battery}, Point{Write: w, Unit: "kW"}, Number(-2.5), -2500, true},
		{"a cap", one, Device{Kind: Battery}, Point{Write: w, Unit: "W", Draws: Draws{None: true}}, Number(5000), 0, false},
		{"percent", one, Device{Kind: Battery}, Point{Write: w, Unit: "%"}, Number(50), 0, false},
		{"read only", one, Device{Kind: Battery}, Point{Unit: "W"}, Number(5000), 0, false},
		{"tank on", one, Device{Kind: Tank, PowerW: 1100}, Point{Write: w, Values: onOff}, Named("on"), 1100, true},
		{"tank off", one, Device{Kind: Tank, PowerW: 1100}, Point{Write: w, Values: onOff}, Named("off"), 0, true},
		{"tank of unknown power", one, Device{Kind: Tank}, Point{Write: w, Values: onOff}, Named("on"), 0, false},
		{"vehicle switch", one, Device{Kind: Vehicle, PowerW: 7000}, Point{Write: w, Values: onOff}, Named("on"), 0, false},
		{"mode", one, Device{Kind: Load, PowerW: 1}, Point{Write: w, Values: named("eco", "off", "on")}, Named("on"), 0, false},
		{"mode that says so", one, Device{Kind: Battery}, Point{Write: w, Values: named("charge", "idle"),
			Draws: Draws{ByName: map[string]float64{"charge": 3000}}}, Named("charge"), 3000, true},
		{"mode that says so, other name", one, Device{Kind: Battery}, Point{Write: w, Values: named("charge", "idle"),
			Draws: Draws{ByName: map[string]float64{"charge": 3000}}}, Named("idle"), 0, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, draws := c.p.DrawW(&c.d, &c.pt, c.v)
			if draws != c.draws {
				t.Errorf("draws: got %v, want %v", draws, c.draws)
			}
			near(t, "W", got, c.w, 1e-9)
		})
	}
}

func TestMaxDraw(t *testing.T) {
	p := &Premises{Supply: Supply{VoltageV: 230, Phases: 1}}
	w, plain := &Address{}, Device{Kind: Load}
	for _, c := range []struct {
		name string
		d    Device
		pt   Point
		w    float64
		ok   bool
	}{
		{"range", Device{Kind: Battery}, Point{Write: w, Unit: "W", HasRange: true, Max: 5000}, 5000, true},
		{"range over the device", Device{Kind: Battery, PowerW: 3000}, Point{Write: w, Unit: "W", HasRange: true, Max: 5000}, 3000, true},
		{"vehicle without figures", Device{Kind: Vehicle}, Point{Write: w, Unit: "A"}, 7360, true},
		{"no bound", plain, Point{Write: w, Unit: "W"}, 0, false},
		{"no part", plain, Point{Write: w, Unit: "%"}, 0, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, ok := p.MaxDrawW(&c.d, &c.pt)
			if ok != c.ok || ok && got != c.w {
				t.Errorf("got %v, %v; want %v, %v", got, ok, c.w, c.ok)
			}
		})
	}
}
