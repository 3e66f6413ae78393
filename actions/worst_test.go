package actions

import "testing"

// Sums by hand from DESIGN: Sums. 5 kW battery, 1.1 kW heat pump, a vehicle at 16 A x 230 V = 3.68 kW, 0.8 kW of other
// loads.
func TestWorstW(t *testing.T) {
	num := func(x float64) Want { return Want{Value: Number(x)} }
	on := Want{Value: Named("on")}
	rw := &Address{}
	points := func(d string, p Point) []Point {
		p.Ref, p.Write = Ref{d, "p"}, rw
		return []Point{p}
	}
	onOff := []NamedValue{{Name: "off"}, {Name: "on"}}
	p := &Premises{
		Supply: Supply{VoltageV: 230, Phases: 1, OtherLoadsW: 800},
		Devices: []Device{
			{Name: "battery", Kind: Battery, Enabled: true, PowerW: 5000, Points: points("battery", Point{Unit: "W"})},
			{Name: "off", Kind: Load, PowerW: 9000, Points: points("off", Point{Values: onOff})},
			{Name: "pump", Kind: Tank, Enabled: true, PowerW: 1100, Points: points("pump", Point{Values: onOff})},
			{Name: "van", Kind: Vehicle, Enabled: true, Points: points("van", Point{Unit: "A"})},
		},
	}
	at := func(d string, w Want) Statement { return Statement{Point: Ref{d, "p"}, Want: w} }
	guarded := func(s Statement, op string) Statement {
		s.Guard = &Guard{Point: Ref{"battery", "p"}, Op: op, Value: Number(1)}
		return s
	}
	early := at("pump", on)
	early.From, early.HasFrom, early.For = -7200e9, true, 3600e9
	tests := map[string]struct {
		q    Procedure
		want float64
	}{
		"nothing":                         {Procedure{}, 800},
		"all at once":                     {Procedure{During: []Statement{at("battery", num(5000)), at("pump", on), at("van", num(16))}}, 10580},
		"a device not enabled":            {Procedure{During: []Statement{at("off", on)}}, 800},
		"no more than the device's power": {Procedure{During: []Statement{at("battery", num(9000))}}, 5800},
		"giving back takes nothing off":   {Procedure{During: []Statement{at("battery", num(-5000)), at("pump", on)}}, 1900},
		"auto is not in it":               {Procedure{During: []Statement{at("battery", Want{Auto: true})}}, 800},
		"a lead-in goes on":               {Procedure{LeadIn: []Statement{at("battery", num(3000))}, During: []Statement{at("pump", on)}}, 4900},
		"during in place of a lead-in":    {Procedure{LeadIn: []Statement{at("battery", num(5000))}, During: []Statement{at("battery", num(1000))}}, 1800},
		"a load draws in its lead-in":     {Procedure{LeadIn: []Statement{at("pump", on)}, During: []Statement{at("pump", Want{Value: Named("off")})}}, 1900},
		"a lead-in over before the start": {Procedure{LeadIn: []Statement{early}, During: []Statement{at("battery", num(500))}}, 1900},
		"guards that exclude one another": {Procedure{During: []Statement{guarded(at("van", num(16)), "<"), guarded(at("van", num(6)), ">=")}}, 4480},
	}
	for name, tt := range tests {
		if got := p.WorstW(&tt.q); got != [3]float64{tt.want} {
			t.Errorf("%s: %v, want %v", name, got, tt.want)
		}
	}
	p.Supply.Phases = 3
	p.Devices[2].Phase = 2
	all := Procedure{During: []Statement{at("battery", num(4500)), at("pump", on)}}
	if got, third := p.WorstW(&all), 800.0/3; got != [3]float64{1500 + third, 1500 + 1100 + third, 1500 + third} {
		t.Errorf("three phases: %v", got)
	}
}
