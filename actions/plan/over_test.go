package plan

import (
	"slices"
	"strings"
	"testing"
	"time"

	"spillway/actions"
)

// At 13:01 an explicit draw comes in on one link, while on another the drop that makes room for it queues behind a command:
// for those seconds somebody who shares takes less.
func TestDropThatQueuesKeepsTheLimit(t *testing.T) {
	p := outlet(2.3, 1, batteryOf("first", 0.5, 0.5), vehicleOf("second", 8, 0.5), batteryOf("third", 0.5, 0.5))
	for i := range p.Links {
		p.Links[i].Spacing = time.Duration(5*(1-i/2)) * time.Second
	}
	p.Devices[1].Link = "link_first"
	procedures(p, proc{name: "one", rank: 1, direction: actions.TurnUp, during: []string{"first.power = 350 W", "second.current = auto"}},
		proc{name: "two", rank: 1, direction: actions.TurnUp, during: []string{"first.power = auto", "second.current = auto", "third.power = 350 W"}})
	plan := planOf(p, "12:00", []actions.Window{win("w0", "one", "13:00", "13:20"), win("w1", "two", "13:01", "13:21")}, "first.level=0", "third.level=0")
	if !explicitFits(plan) {
		t.Errorf("over the limit\n%s", dump(plan))
	}
	underTheLimit(t, plan)
}

// What comes back to drawing for a moment takes its power from what may be lowered, not from a run that may not stop yet,
// whichever statement is the last.
func TestAMomentOverTheLimitStopsNoRun(t *testing.T) {
	p := procedures(outlet(3, 1, loadOf("kettle", 1, 0), loadOf("pump", 1, 0), batteryOf("shed", 2, 10)),
		proc{name: "share", direction: actions.TurnUp, during: []string{"shed.power = auto", "pump.run = auto"}}, proc{name: "boil", rank: 1, during: []string{"kettle.run = on for 20s"}})
	p.Device("pump").MinOn = 40 * time.Minute
	s := scene{truth: map[actions.Ref]actions.Value{ref("pump.run"): actions.Named("off"), ref("kettle.run"): actions.Named("off"), ref("shed.power"): actions.Number(0)}}
	s.Input = Input{Premises: p, Now: at("12:00"), Standing: actions.NewStanding(), Windows: []actions.Window{win("a", "share", "13:00", "14:30")}}
	first := Make(s.Input)
	e := newExecutor(s)
	e.run(p, first.Steps, at("13:10"))
	s.Now, s.Standing, s.Current = at("13:10"), e.standing, first
	s.Windows = append(s.Windows, win("b", "boil", "13:10", "14:30"))
	plan := Make(s.Input)
	if steps := stepLines(plan); !slices.ContainsFunc(steps, func(l string) bool { return strings.Contains(l, "shed.power=1000") }) ||
		slices.ContainsFunc(steps, func(l string) bool { return strings.Contains(l, "pump.run=off") && l < "14" }) {
		t.Errorf("%s", dump(plan))
	}
}
