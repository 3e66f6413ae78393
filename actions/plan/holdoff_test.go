package plan

import (
	"strings"
	"testing"
	"time"

	"spillway/actions"
)

// cellar is premises of one tank that heats by itself: 200 L, 3 kW, 1.163 Wh/(L K): 10 K are 2.326 kWh, 46 min 31.2 s.
func cellar(during string, reserve float64) *actions.Premises {
	d := device(actions.Device{Name: "tank", Kind: actions.Tank, VolumeL: 200, PowerW: 3000, Target: 55, HasTarget: true, Level: "warmth", MakeRoom: true,
		Reserve: reserve, HasReserve: reserve > 0},
		pt{name: "heat", values: "on off", normal: "on"}, pt{name: "warmth", unit: "°C", readOnly: true})
	p := outlet(13.8, 1, d)
	p.Supply.OtherLoadsW = 800
	return procedures(p, proc{name: "x", direction: actions.TurnUp, during: []string{during}})
}

// A tank is held off as long as the window can heat it, and as it takes from its reserve to its target at most.
func TestTankIsHeldOff(t *testing.T) {
	for _, c := range []struct {
		name, during string
		reserve      float64
		now, level   string
		want         []string
		problem      string
	}{
		{"the whole window", "tank.heat = on", 0, "10:00", "50", []string{"12:00:00 tank.heat=off", "13:00:00 tank.heat=on"}, ""},
		{"a part of it", "tank.heat = on for 25m", 0, "10:00", "50", []string{"12:35:00 tank.heat=off", "13:00:00 tank.heat=on"}, ""},
		{"auto", "tank.heat = auto", 0, "10:00", "50", []string{"12:00:00 tank.heat=off", "13:00:00 tank.heat=on"}, ""},
		{"from reserve to target", "tank.heat = on", 45, "10:00", "50", []string{"12:13:29 tank.heat=off", "13:00:00 tank.heat=on"}, ""},
		{"late", "tank.heat = on", 45, "12:30", "50", []string{"12:30:00 tank.heat=off", "13:00:00 tank.heat=on"}, ""},
		{"at its reserve", "tank.heat = on", 45, "10:00", "45", nil, "tank is not held off before the window: it is at 45 °C then, and 45 °C is kept for the household"},
		{"hardly above", "tank.heat = on", 45, "10:00", "46.5", nil, "45 °C is kept for the household"},
		{"unknown", "tank.heat = on", 45, "10:00", "", nil, "the level of tank is not known, so it is not held off before the window"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var reads []string
			if c.level != "" {
				reads = append(reads, "tank.warmth="+c.level)
			}
			plan := planOf(cellar(c.during, c.reserve), c.now, hour(), reads...)
			sameLines(t, "steps", stepLines(plan), c.want...)
			mustContain(t, problems(plan, "a"), c.problem)
			if c.problem == "" && problems(plan, "a") != "" {
				t.Errorf("says %q", problems(plan, "a"))
			}
		})
	}
}

// A newer reading at the reserve lifts the hold; it comes back only when the tank is well above.
func TestHoldOffIsLifted(t *testing.T) {
	p := cellar("tank.heat = on", 45)
	s := begin(p, "10:00", hour(), "tank.warmth=50")
	s.e.values[ref("tank.heat")] = actions.Named("on")
	s.steps(t, "12:13:29 a-r1 tank.heat=off", "13:00:00 a-d1 tank.heat=on")
	s.until("12:30").read("tank.warmth=47")
	s.steps(t, "13:00:00 a-d1 tank.heat=on") // held off already, and still above
	s.until("12:40").read("tank.warmth=45")
	plan := s.steps(t, "12:40:00 a-r1-end tank.heat=on")
	mustContain(t, plan.Steps[0].Why, "“make_room of tank” no longer holds; it goes back to its normal")
	s.until("12:41").read("tank.warmth=45.5")
	s.steps(t)
}

// What is due for hygiene is not put off, nor is a tank that must be ready before the window can heat it.
func TestHoldOffGivesWay(t *testing.T) {
	p := cellar("tank.heat = on", 45)
	in := Input{Premises: p, Windows: hour(), Now: at("10:00"), Readings: readings(p, at("10:00"), "tank.warmth=50"), Standing: actions.NewStanding()}
	in.HygieneDue = map[string]time.Time{"tank": at("12:59")}
	plan := Make(in)
	sameLines(t, "steps", stepLines(plan))
	mustContain(t, problems(plan, "a"), "tank is not held off before the window: its hygiene temperature is due")
	in.HygieneDue = map[string]time.Time{"tank": at("+1 10:00")}
	if n := len(Make(in).Steps); n != 2 {
		t.Errorf("%d steps, want 2", n)
	}
	in.HygieneDue = nil
	p.Device("tank").Ready = "13:20" // 5 K are 1.163 kWh, 23 min
	mustContain(t, problems(Make(in), "a"), "it must be ready by 13:20")
	p.Device("tank").Ready = "13:30"
	sameLines(t, "in time", stepLines(Make(in)), "12:13:29 tank.heat=off", "13:00:00 tank.heat=on")
	p.Device("tank").Ready = "12:30"
	sameLines(t, "after it was ready", stepLines(Make(in)), "12:30:00 tank.heat=off", "13:00:00 tank.heat=on")
}

// There is no hold where there may be none.
func TestNoRoomWhereThereMayBeNone(t *testing.T) {
	during := proc{during: []string{"battery.power = auto"}}
	for _, c := range []struct {
		name    string
		change  func(p *actions.Premises, w *actions.Window)
		problem string
	}{
		{"skipped", func(_ *actions.Premises, w *actions.Window) { w.SkipDevices = []string{"battery"} }, "battery is left out"},
		{"protected", func(p *actions.Premises, _ *actions.Window) { p.Point(ref("battery.power")).Protects = true }, "protects and is never held"},
		{"not enabled", func(p *actions.Premises, _ *actions.Window) { p.Device("battery").Enabled = false }, "is not enabled"},
		{"turn-down", func(p *actions.Premises, _ *actions.Window) { p.Procedures[0].Direction = actions.TurnDown }, ""},
		{"its own lead-in", func(p *actions.Premises, _ *actions.Window) {
			p.Procedures[0].LeadIn = statements(p, actions.PhaseLeadIn, []string{"battery.power = 0 W from -10m"})
		}, ""},
		{"a guard that is off", func(p *actions.Premises, _ *actions.Window) {
			p.Procedures[0].During = statements(p, actions.PhaseDuring, []string{"battery.power = auto if battery.level < 50 %"})
		}, "is not held"},
		{"no range below 0", func(p *actions.Premises, _ *actions.Window) { p.Point(ref("battery.power")).Min = 0 }, "battery has no point that lets it give back"},
		{"no other loads", func(p *actions.Premises, _ *actions.Window) { p.Supply.OtherLoadsW = 0 }, ""},
		{"at its floor", func(p *actions.Premises, _ *actions.Window) { p.Device("battery").FloorPercent = 80 }, ""},
		{"at its reserve", func(p *actions.Premises, _ *actions.Window) {
			d := p.Device("battery")
			d.Reserve, d.HasReserve = 80, true
		}, ""},
		{"ready too soon after", func(p *actions.Premises, _ *actions.Window) { p.Device("battery").Ready = "13:20" }, "battery is not ready by 13:20"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := roomy(during)
			w := hour()
			c.change(p, &w[0])
			plan := planOf(p, "10:00", w, "battery.level=80")
			for _, s := range plan.Steps {
				if s.Value.Number < 0 && s.At.Before(at("13:00")) {
					t.Errorf("%s gives back: %s", s.ID, s.Why)
				}
			}
			if len(plan.Window("a").Room) > 0 {
				t.Errorf("room: %v", plan.Window("a").Room)
			}
			mustContain(t, problems(plan, "a"), c.problem)
			if c.problem == "" && strings.Contains(problems(plan, "a"), "battery") {
				t.Errorf("says %q", problems(plan, "a"))
			}
		})
	}
}

// A hand on the point ends it for that window.
func TestHandsEndRoom(t *testing.T) {
	p := roomy(proc{during: []string{"battery.power = auto"}})
	s := begin(p, "10:00", hour(), "battery.level=80")
	s.e.values[ref("battery.power")] = actions.Number(0)
	s.until("11:00").read("battery.level=75.789")
	if v := s.e.values[ref("battery.power")]; v != actions.Number(-800) {
		t.Fatalf("shows %s", v)
	}
	st := s.e.standing.Points[ref("battery.power")]
	st.Hand, st.HandHold = actions.Number(500), []string{"a"}
	s.e.standing.Points[ref("battery.power")] = st
	for _, x := range s.plan().Steps {
		if x.At.Before(at("13:00")) {
			t.Errorf("%s after a hand: %s", x.ID, x.Why)
		}
	}
}

// A command that failed is not tried again for the window, and what the window itself asks for is.
func TestFailuresEndRoom(t *testing.T) {
	p := roomy(proc{during: []string{"battery.power = auto"}})
	s := begin(p, "10:00", hour(), "battery.level=80")
	first := s.plan().Steps[0]
	s.e.standing.Apply(actions.Entry{Kind: actions.EntryIntent, At: first.At, Step: first, Tries: 1})
	s.e.standing.Apply(actions.Entry{Kind: actions.EntrySettled, At: first.At, Step: first, State: actions.Failed})
	s.in.Now, s.in.Standing = at("10:01"), s.e.standing.Clone()
	for _, x := range s.plan().Steps {
		if x.Value.Number < 0 {
			t.Errorf("%s gives back after a failure: %s", x.ID, x.Why)
		}
	}
	if last := s.plan().Steps; len(last) == 0 || last[len(last)-2].ID != "a-d1" {
		t.Errorf("the window's own statement is gone: %v", stepLines(s.plan()))
	}
}

// Where other_loads reads the whole import, what the battery gives back is put on again: else it would stop as soon as it works.
func TestGivingBackIsNoLessLoad(t *testing.T) {
	p := roomy(proc{during: []string{"battery.power = auto"}}, device(actions.Device{Name: "meter", Kind: actions.Load}, pt{name: "import", unit: "kW", readOnly: true}))
	meter := ref("meter.import")
	p.Supply.OtherLoads = &meter
	s := begin(p, "10:00", hour(), "battery.level=80", "meter.import=0.8")
	s.e.values[ref("battery.power")] = actions.Number(0)
	s.until("10:00:05").read("meter.import=0.8") // read before the command worked
	s.steps(t, "13:00:00 a-d1 battery.power=5000", "14:00:00 a-d1-end battery.power=0")
	s.until("10:30").read("meter.import=0", "battery.level=77.9")
	s.steps(t, "13:00:00 a-d1 battery.power=5000", "14:00:00 a-d1-end battery.power=0")
	s.read("meter.import=-0.3") // the house draws only 0.5 kW now
	plan := s.plan()
	if v := plan.Steps[0].Value; v != actions.Number(-500) {
		t.Errorf("gives back %s where the house draws 500 W\n%s", v, dump(plan))
	}
}
