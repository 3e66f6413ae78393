package actions

import "testing"

func TestSay(t *testing.T) {
	ref := func(s string) Ref { r, _ := ParseRef(s); return r }
	p := &Premises{Devices: []Device{
		{Name: "barn_battery", Kind: Battery, Points: []Point{{Ref: ref("barn_battery.charge_power"), Unit: "W"}, {Ref: ref("barn_battery.mode")}}},
		{Name: "cylinder", Kind: Tank, Points: []Point{{Ref: ref("cylinder.boost")}, {Ref: ref("cylinder.target"), Unit: "°C"}}},
		{Name: "van", Kind: Vehicle, Points: []Point{{Ref: ref("van.current"), Unit: "A"}}},
	}}
	for _, c := range []struct {
		ref   string
		value Value
		say   string
		back  string
	}{
		{"barn_battery.charge_power", Number(5000), "charge at 5 kW", "Barn battery: charge power back to 5 kW"},
		{"barn_battery.charge_power", Number(999.6), "charge at 999.6 W", "Barn battery: charge power back to 999.6 W"},
		{"barn_battery.mode", Named("own_use"), "own use", "Barn battery: back to own use"},
		{"barn_battery.mode", Value{}, "mode at its normal", "Barn battery: back to its normal"},
		{"cylinder.boost", Named("on"), "boost on", "Cylinder: boost back to on"},
		{"cylinder.target", Number(-0.0004), "target 0 °C", "Cylinder: target back to 0 °C"},
		{"van.current", Number(16), "charge at 16 A", "Van: current back to 16 A"},
		{"van.current", Number(0), "stop charging", "Van: current back to 0 A"},
		{"gone.eco_mode", Named("low"), "eco low", "Gone: eco back to low"},
		{"gone.speed", Number(3), "speed 3", "Gone: speed back to 3"},
	} {
		if got := p.Say(ref(c.ref), c.value); got != c.say {
			t.Errorf("Say %s %v: %q, want %q", c.ref, c.value, got, c.say)
		}
		if got := p.SayStep(Step{Point: ref(c.ref), Value: c.value, Release: true}); got != c.back {
			t.Errorf("SayStep %s %v: %q, want %q", c.ref, c.value, got, c.back)
		}
	}
	if got := p.SayStep(Step{Point: ref("barn_battery.charge_power"), Value: Number(5000)}); got != "Barn battery: charge at 5 kW" {
		t.Errorf("SayStep: %q", got)
	}
}

func TestPlanUID(t *testing.T) {
	uid := PlanUID("abc", "during")
	if !IsPlanUID(uid) || IsPlanUID("abc@calendar.example") || PlanUID("abc", "restore") == uid {
		t.Errorf("%q", uid)
	}
}
