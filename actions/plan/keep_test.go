package plan

import (
	"testing"

	"spillway/actions"
)

// evening is premises with a battery that gives back, a tank and a van, for turn-down windows.
func evening(during ...string) *actions.Premises {
	p := smallholding()
	p.Supply.OtherLoadsW = 1500
	d := p.Device("barn_battery")
	d.DischargeW = 3000
	pw := d.Point("charge_power")
	pw.Min, pw.Max, pw.HasRange, pw.Normal = -4000, 5000, true, actions.Number(0)
	return procedures(p, proc{name: "saver", rank: 20, direction: actions.TurnDown, during: during})
}

func downWindow() []actions.Window { return []actions.Window{win("a", "saver", "17:00", "19:00")} }

// In a turn-down window auto takes nothing, and gives back what the premises draw, at a rate that lasts: 13.5 kWh from 60 to
// 10 % at 0.95 are 6.4125 kWh, more than 1.5 kW for 2 h; from 20 % they are 1.2825 kWh, 641 W for 2 h (worked by hand).
func TestTurnDownAuto(t *testing.T) {
	p := evening("barn_battery.charge_power = auto", "cylinder.boost = auto", "van.current = auto")
	s := begin(p, "12:00", downWindow(), "barn_battery.charge_level=60", "barn_battery.charge_power=0", "cylinder.boost=on")
	s.e.values[ref("barn_battery.charge_power")] = actions.Number(0)
	plan := s.steps(t, "17:00:00 a-d1 barn_battery.charge_power=-1500", "17:00:00 a-d3 van.current=0", "19:00:00 a-d1-end barn_battery.charge_power=0", "19:00:00 a-d3-end van.current=16")
	kwh(t, plan, "a", "barn_battery", -3)
	if plan.Windows[0].PeakKW != 0 {
		t.Errorf("peak %v: the battery carries the rest of the premises", plan.Windows[0].PeakKW)
	}
	s = begin(p, "12:00", downWindow(), "barn_battery.charge_level=20")
	plan = s.steps(t, "17:00:00 a-d1 barn_battery.charge_power=-641", "17:00:00 a-d3 van.current=0", "19:00:00 a-d1-end barn_battery.charge_power=0", "19:00:00 a-d3-end van.current=16")
	kwh(t, plan, "a", "barn_battery", -1.282)

	plan = begin(p, "12:00", downWindow()).plan()
	mustContain(t, problems(plan, "a"), "the level of barn_battery is not known, so nothing is taken from it")
	d := p.Device("barn_battery")
	d.Reserve, d.HasReserve = 50, true
	plan = begin(p, "12:00", downWindow(), "barn_battery.charge_level=52").plan()
	kwh(t, plan, "a", "barn_battery", -0.2565) // 2 % of 13.5 kWh at 0.95
}

// What auto came to in a turn-up window says nothing of a turn-down window after it or in the midst of it.
func TestTurnDownAutoAfterTurnUpAuto(t *testing.T) {
	p := procedures(smallholding(), proc{name: "surplus", direction: actions.TurnUp, during: []string{"ice_bank.run = auto"}},
		proc{name: "saver", rank: 20, direction: actions.TurnDown, during: []string{"ice_bank.run = auto"}})
	begin(p, "10:00", []actions.Window{win("a", "surplus", "12:00", "13:00"), win("b", "saver", "17:00", "19:00")}).steps(t,
		"12:00:00 a-d1 ice_bank.run=on", "13:00:00 a-d1-end ice_bank.run=off")
	begin(p, "10:00", []actions.Window{win("a", "surplus", "12:00", "14:00"), win("b", "saver", "12:30", "13:00")}).steps(t,
		"12:00:00 a-d1 ice_bank.run=on", "12:30:00 b-d1 ice_bank.run=off", "13:00:00 b-d1-end ice_bank.run=on", "14:00:00 a-d1-end ice_bank.run=off")
}

// A discharge that a statement asks for ends where the battery is at its floor: 13.5 kWh, 30 to 10 %, 0.95: 2.565 kWh, at 3 kW
// 51 min 18 s (worked by hand).
func TestDischargeEndsAtTheFloor(t *testing.T) {
	p := evening("barn_battery.charge_power = -3000 W")
	s := begin(p, "12:00", downWindow(), "barn_battery.charge_level=30", "barn_battery.charge_power=0")
	plan := s.steps(t, "17:00:00 a-d1 barn_battery.charge_power=-3000", "17:51:18 a-d1-end barn_battery.charge_power=0")
	mustContain(t, problems(plan, "a"), "ends at 17:51:18: barn_battery is at 10 % by then, and kept there")
	s = begin(p, "17:30", downWindow(), "barn_battery.charge_level=11")
	plan = s.steps(t)
	mustContain(t, problems(plan, "a"), "barn_battery is at 11 %, and kept above 10 %")
}

// Once a discharge has ended at the floor it is not begun again while the end is on its way, by a level that was read before.
func TestDischargeThatEndedAtTheFloorIsNotBegunAgain(t *testing.T) {
	p := evening("barn_battery.charge_power = -3000 W")
	s := begin(p, "12:00", downWindow(), "barn_battery.charge_level=30", "barn_battery.charge_power=0")
	s.until("17:51").read("barn_battery.charge_level=10.2")
	end := s.plan().Steps[0]
	s.until("17:51:30")
	s.e.standing.Apply(actions.Entry{Kind: actions.EntryIntent, At: end.At, Step: end, Tries: 1})
	s.in.Standing = s.e.standing.Clone()
	for _, x := range s.plan().Steps {
		if x.Value.Number < 0 {
			t.Errorf("%s sets %s = %s", x.ID, x.Point, x.Value)
		}
	}
}

// A level that was read some time ago is taken to have fallen since: 24 % at 17:20 are 1.79550 kWh above the floor, at 3 kW
// 35 min 54 s from then on, also where the plan is made ten minutes later (worked by hand).
func TestDischargeEndsAtTheFloorByAnOldReading(t *testing.T) {
	p := evening("barn_battery.charge_power = -3000 W")
	s := begin(p, "12:00", downWindow(), "barn_battery.charge_level=30", "barn_battery.charge_power=0")
	s.until("17:20").read("barn_battery.charge_level=24")
	s.until("17:30").steps(t, "17:55:54 a-d1-end barn_battery.charge_power=0")
}

// A tank below its reserve is not kept from heating, and is held off again only when it is well above it.
func TestReserveOfATank(t *testing.T) {
	p := evening("cylinder.boost = off")
	d := p.Device("cylinder")
	d.Reserve, d.HasReserve = 45, true
	d.Point("boost").Normal = actions.Named("on")
	s := begin(p, "12:00", downWindow(), "cylinder.temperature=48")
	s.steps(t, "17:00:00 a-d1 cylinder.boost=off", "19:00:00 a-d1-end cylinder.boost=on")
	s.e.values[ref("cylinder.boost")] = actions.Named("on")
	s.until("17:30").read("cylinder.temperature=44.5")
	plan := s.steps(t, "17:30:00 a-d1-end cylinder.boost=on")
	mustContain(t, problems(plan, "a"), "cylinder is at 44.5 °C, and 45 °C is kept for the household")
	s.until("17:40").read("cylinder.temperature=46")
	s.steps(t)
	s.until("17:50").read("cylinder.temperature=47.5")
	s.steps(t, "17:50:00 a-d1-2 cylinder.boost=off", "19:00:00 a-d1-end-2 cylinder.boost=on")
}

// A van that must be ready is let go in time: it needs 20 % of 60 kWh, 12 kWh, 1 h 37 min 50 s at 7.36 kW before 20:00
// (worked by hand).
func TestReadyBindsInATurnDownWindow(t *testing.T) {
	p := evening("van.current = 0 A")
	p.Device("van").Ready = "20:00"
	s := begin(p, "12:00", downWindow(), "van.charge_level=80")
	plan := s.steps(t, "17:00:00 a-d1 van.current=0", "18:22:10 a-d1-end van.current=16")
	mustContain(t, problems(plan, "a"), "van must be ready by 20:00")
	s = begin(p, "12:00", downWindow(), "van.charge_level=100")
	s.steps(t, "17:00:00 a-d1 van.current=0", "19:00:00 a-d1-end van.current=16")
	s = begin(p, "12:00", downWindow(), "van.charge_level=50")
	plan = s.steps(t)
	mustContain(t, problems(plan, "a"), "is not held: van must be ready by 20:00")
	plan = begin(p, "12:00", downWindow()).plan()
	mustContain(t, problems(plan, "a"), "what van needs is not known")
}
