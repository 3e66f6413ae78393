package plan

import (
	"math"
	"slices"
	"testing"
	"time"

	"spillway/actions"
)

// roomy is premises of one battery that gives back by its power, behind 13.8 kW, with 0.8 kW of other loads.
func roomy(q proc, more ...actions.Device) *actions.Premises {
	d := device(actions.Device{Name: "battery", Kind: actions.Battery, CapacityWh: 10000, PowerW: 5000, Efficiency: 0.95, FloorPercent: 10,
		Level: "level", MakeRoom: true},
		pt{name: "power", unit: "W", min: -5000, max: 5000, normal: "0"}, pt{name: "level", unit: "%", readOnly: true})
	p := outlet(13.8, 1, append([]actions.Device{d}, more...)...)
	p.Supply.OtherLoadsW = 800
	q.name, q.direction = "x", actions.TurnUp
	return procedures(p, q)
}

func hour() []actions.Window { return []actions.Window{win("a", "x", "13:00", "14:00")} }

// The reference instance I7, worked with two solvers: a battery of 10 kWh at 80 %, 0.95 each way, discharged into 0.8 kW for
// two hours is at 63.15789 % when the window starts and takes 3.878116 kWh in it, against 2.105263 kWh without.
func TestReferenceRoom(t *testing.T) {
	for _, during := range []string{"battery.power = auto", "battery.power = 5000 W"} {
		p := roomy(proc{during: []string{during}})
		plan := planOf(p, "11:00", hour(), "battery.level=80")
		kwh(t, plan, "a", "battery", 3.878116)
		sameLines(t, "first step", stepLines(plan)[:1], "11:00:00 battery.power=-800")
		back := 0.0
		for _, x := range plan.Profile {
			if x.Device == "battery" && x.KW < 0 {
				back -= x.KW * x.To.Sub(x.From).Hours()
			}
		}
		if math.Abs(back-1.6) > 1e-5 {
			t.Errorf("gives back %v kWh, want 1.6\n%s", back, dump(plan))
		}
		if level := 80 - back/0.95*10; math.Abs(level-63.15789) > 1e-4 {
			t.Errorf("level %v at the start", level)
		}
		if r := plan.Window("a").Room; len(r) != 1 || math.Abs(r[0].MoreKWh-1.772853) > 1e-5 || math.Abs(r[0].BackKWh-1.6) > 1e-5 {
			t.Errorf("said to gain: %+v", r)
		}
		p.Device("battery").MakeRoom = false
		kwh(t, planOf(p, "11:00", hour(), "battery.level=80"), "a", "battery", 2.105263)
	}
}

// It begins as late as gives the room that the window can use: 5 kWh in an hour, 2.105263 kWh are there, the rest is
// 2.894737 x 0.9025 = 2.6125 kWh at the terminals, 3 h 15 min 56.25 s at 0.8 kW (worked by hand).
func TestRoomIsMadeAsLateAsItCan(t *testing.T) {
	plan := planOf(roomy(proc{during: []string{"battery.power = auto"}}), "08:00", hour(), "battery.level=80")
	sameLines(t, "steps", stepLines(plan), "09:44:03 battery.power=-800", "13:00:00 battery.power=5000", "14:00:00 battery.power=0")
	kwh(t, plan, "a", "battery", 5)
	mustContain(t, plan.Steps[0].Why, "it gives back 2.613 kWh beforehand, so that it can take 5 kWh in the window instead of 2.105 kWh")
}

// What another battery gives back counts until the command is through that lowers it, and then no more; slack, by which a
// point's givings may overlap, makes it give no two of its powers at once.
func TestWhatIsLoweredCountsUntilThen(t *testing.T) {
	in := Input{Premises: roomy(proc{during: []string{"battery.power = auto", "shed.power = auto"}}, batteryOf("shed", 3, 10)), Now: at("11:00"),
		Standing: actions.NewStanding(), Windows: hour()}
	in.Premises.Device("shed").Point("power").Min = -3000
	in.Standing.Points[ref("shed.power")] = actions.PointStanding{Owed: true, Value: actions.Number(-600), Normal: actions.Number(0)}
	p, _ := run(in)
	battery, shed := p.lines[ref("battery.power")], p.lines[ref("shed.power")]
	m := &rooms{p: p, other: [3]float64{800}}
	m.give(shed, p.now, at("12:00"), 100)
	m.give(shed, at("12:00"), at("13:00"), 500)
	type part struct {
		to time.Time
		w  float64
	}
	var got []part
	for _, s := range m.segments(battery, p.now, at("13:00"), actions.Value{}) {
		got = append(got, part{s.to, s.w})
	}
	want := []part{{p.now.Add(shed.slack()), 200}, {at("12:00").Add(-battery.slack()), 700}, {at("13:00"), 300}}
	if !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
}
