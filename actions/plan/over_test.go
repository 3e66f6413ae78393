package plan

import (
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
