package plan

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"spillway/actions"
)

// yard is premises with a vehicle that charges by itself at 16 A and is held down, and a battery on another link that is
// held up.
func yard(limitKW float64) *actions.Premises {
	van := vehicleOf("van", 32, 20)
	van.Point("current").Normal = actions.Number(16)
	van.Points = append(van.Points, device(actions.Device{Name: "van"}, pt{name: "control", values: "local remote", normal: "local"}).Points...)
	p := outlet(limitKW, 1, batteryOf("shed", 3, 10), van)
	p.Device("van").Points[0], p.Device("van").Points[1] = p.Device("van").Points[1], p.Device("van").Points[0]
	p.Link("link_shed").Confirm = 10 * time.Second
	return p
}

func TestWhatReturnsToMoreWaits(t *testing.T) {
	held := []string{"shed.power = 3000 W", "van.current = 6 A"}
	for _, c := range []struct {
		name   string
		during []string
		steps  []string
		after  string
	}{
		{"until what is let go elsewhere is read back", held,
			[]string{"13:00:00 van.current=6", "13:00:00 shed.power=3000", "14:00:00 shed.power=0", "14:00:10 van.current=16"}, "a-d1-end"},
		{"and what comes after it on its device waits with it", []string{"shed.power = 3000 W", "van.control = remote", "van.current = 6 A"},
			[]string{"13:00:00 shed.power=3000", "13:00:00 van.control=remote", "13:00:00 van.current=6", "14:00:00 shed.power=0", "14:00:10 van.current=16",
				"14:00:10 van.control=local"}, "a-d1-end"},
		{"nothing to wait for", []string{"van.current = 6 A"}, []string{"13:00:00 van.current=6", "14:00:00 van.current=16"}, ""},
		{"what draws less waits for nothing", []string{"shed.power = 3000 W", "van.current = 20 A"},
			[]string{"13:00:00 shed.power=3000", "13:00:00 van.current=20", "14:00:00 shed.power=0", "14:00:00 van.current=16"}, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			plan := planOf(procedures(yard(8), proc{name: "x", during: c.during}), "12:00", []actions.Window{win("a", "x", "13:00", "14:00")})
			got := stepLines(plan)
			if !sameSet(got, c.steps) {
				t.Errorf("got %v\nwant %v", got, c.steps)
			}
			for _, s := range plan.Steps {
				if s.Point == ref("van.current") && s.Release && strings.Join(s.After, " ") != c.after {
					t.Errorf("%s waits for %v, want %s", s.ID, s.After, c.after)
				}
			}
		})
	}
}

func sameSet(a, b []string) bool {
	n := map[string]int{}
	for _, s := range a {
		n[s]++
	}
	for _, s := range b {
		n[s]--
	}
	for _, k := range n {
		if k != 0 {
			return false
		}
	}
	return true
}

// What is not let go for long is waited for no longer.
func TestAReturnIsNotBlocked(t *testing.T) {
	s := scene{truth: map[actions.Ref]actions.Value{ref("shed.power"): actions.Number(0), ref("van.current"): actions.Number(16)}}
	s.Input = Input{Premises: procedures(yard(8), proc{name: "x", during: []string{"shed.power = 3000 W", "van.current = 6 A"}}), Now: at("12:00"),
		Standing: actions.NewStanding(), Windows: []actions.Window{win("a", "x", "13:00", "14:00")}}
	first := Make(s.Input)
	e := newExecutor(s)
	e.run(s.Premises, first.Steps, at("13:30"))
	for _, c := range []struct{ now, at string }{{"14:00:30", "14:00:40"}, {"14:02:55", "14:03"}, {"14:03:20", "14:03:20"}} {
		again := s.Input
		again.Now, again.Standing, again.Current = at(c.now), e.standing, first // the shed's link is down
		for _, x := range Make(again).Steps {
			if x.Point == ref("van.current") && !x.At.Equal(at(c.at)) {
				t.Errorf("planned at %s: goes back at %s, want %s", c.now, x.At, c.at)
			}
		}
	}
}

// Where the premises pass the limit by themselves once everything is back, that is said.
func TestANormalOverTheLimitIsSaid(t *testing.T) {
	plan := planOf(procedures(yard(3.5), proc{name: "x", during: []string{"van.current = 6 A"}}), "12:00", []actions.Window{win("a", "x", "13:00", "14:00")})
	mustContain(t, problems(plan, "a"), "what returns to its normal draws up to 3.68 kW at 14:00 with the rest of the premises, over the limit of 3.5 kW: that is how the premises are without a window")
}

// Over several links, nothing goes back to drawing more before what draws less by then is read back, but for the bound; and
// what lowers a draw is never later than its link has it.
func TestReturnsAcrossLinks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawScene(t, sceneOptions{ranks: 2, noRestore: true})
		p, plan := run(s.Input)
		for _, c := range p.changes {
			if c.rules() != nil || p.rise(c) < leastReturn {
				continue
			}
			for _, d := range p.changes {
				gone := d.at.Add(p.links[d.line.link].Confirm)
				if d.at.After(c.due.Add(mostReboundOrdered)) {
					continue // what is let go that late is not waited for
				}
				if d.line.link != c.line.link && p.rise(d) < 0 && !d.due.After(c.due) && gone.After(c.at) && c.at.Before(c.due.Add(mostReboundOrdered)) && !p.loweredAfter(c) {
					t.Fatalf("%s goes at %s, and %s is gone at %s\n%s", c.id, c.at, d.id, gone, dump(plan))
				}
			}
			if !c.wait.IsZero() && c.wait.After(c.due.Add(MostRebound)) {
				t.Fatalf("%s waits until %s", c.id, c.wait)
			}
		}
	})
}

func (p *planner) loweredAfter(c *change) bool {
	for o := range c.followers() {
		if p.rise(o) < 0 {
			return true
		}
	}
	return false
}

// A statement whose guard looks at a point that an earlier one sets on another link comes after it.
func TestOrderAcrossLinks(t *testing.T) {
	q := proc{name: "x", during: []string{"van.control = remote wait 20s", "shed.power = 3000 W if van.control = remote"}}
	plan := planOf(procedures(yard(8), q), "12:00", []actions.Window{win("a", "x", "13:00", "14:00")})
	sameLines(t, "steps", stepLines(plan), "13:00:00 van.control=remote", "13:00:20 shed.power=3000", "14:00:00 shed.power=0", "14:00:00 van.control=local")
	if got := strings.Join(plan.Steps[1].After, " "); got != "a-d1" {
		t.Errorf("shed.power waits for %q", got)
	}
}
