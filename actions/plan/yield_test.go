package plan

import (
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"spillway/actions"
)

// A statement that takes the power which another statement lets go of at the same instant waits until that is read back,
// and it is said; one that has room without it does not wait.
func TestAStatementWaitsForPowerThatIsLetGo(t *testing.T) {
	for _, c := range []struct {
		name     string
		limit    float64
		now      string
		van, off string // when they are sent
		after    string
		problem  string
	}{
		{"let go at its start", 4, "12:30", "13:00:10", "13:00:00", "b-d1",
			"“van.current = 10 A” starts at 13:00:10: it was due at 13:00, and what lets go of the power for it then is read back first"},
		{"planned at its start", 4, "13:00", "13:00:10", "13:00:00", "b-d1",
			"“van.current = 10 A” starts at 13:00:10: it was due at 13:00, and what lets go of the power for it then is read back first"},
		{"a late start", 4, "13:02", "13:02:10", "13:02:00", "b-d1",
			"“van.current = 10 A” starts at 13:02:10: it was due at 13:00, and what lets go of the power for it then is read back first"},
		{"room for both", 6, "12:30", "13:00:00", "13:00:00", "", ""},
		{"no room even then", 3, "12:30", "13:00:00", "13:00:00", "", "over the limit"},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := yard(c.limit)
			p.Device("van").Point("current").Normal = actions.Number(0)
			in := Input{Premises: procedures(p, proc{name: "low", during: []string{"shed.power = 3000 W"}},
				proc{name: "high", rank: 5, during: []string{"shed.power = 1000 W", "van.current = 10 A"}}), Now: at("12:00"),
				Windows: []actions.Window{win("a", "low", "12:10", "14:00"), win("b", "high", "13:00", "13:30")}, Standing: actions.NewStanding()}
			s := scene{Input: in, truth: map[actions.Ref]actions.Value{ref("shed.power"): actions.Number(0), ref("van.current"): actions.Number(0)}}
			first := Make(in)
			e := newExecutor(s)
			e.run(p, first.Steps, at("12:29"))
			in.Standing, in.Current, in.Now = e.standing, first, at(c.now)
			plan := Make(in)
			for _, x := range []struct{ id, at, after string }{{"b-d1", c.off, ""}, {"b-d2", c.van, c.after}} {
				i := slices.IndexFunc(plan.Steps, func(s actions.Step) bool { return s.ID == x.id })
				if i < 0 {
					t.Fatalf("no %s in %v", x.id, stepLines(plan))
				}
				if st := plan.Steps[i]; st.At.Format("15:04:05") != x.at || strings.Join(st.After, " ") != x.after {
					t.Errorf("%s: got %+v, want it at %s after %q", x.id, plan.Steps[i], x.at, x.after)
				}
			}
			got := problems(plan, "b")
			if said := strings.Contains(got, "read back first"); said != (c.after != "") {
				t.Errorf("problems: %s", got)
			}
			mustContain(t, got, c.problem)
		})
	}
}

// So does one whose guard comes true late, and that takes of what was shared without it.
func TestALateStatementWaitsForAShareToDrop(t *testing.T) {
	p := procedures(yard(4), proc{name: "low", during: []string{"shed.power = auto"}}, proc{name: "high", rank: 5, during: []string{"van.current = 10 A if shed.level > 5"}})
	p.Device("van").Point("current").Normal = actions.Number(0)
	in := Input{Premises: p, Now: at("12:00"), Standing: actions.NewStanding(),
		Windows: []actions.Window{win("a", "low", "12:10", "14:00"), win("b", "high", "13:00", "13:30")}}
	in.Readings = readings(p, at("12:00"), "shed.level=3")
	e := newExecutor(scene{Input: in, truth: map[actions.Ref]actions.Value{ref("shed.power"): actions.Number(0), ref("van.current"): actions.Number(0)}})
	first := Make(in)
	e.run(p, first.Steps, at("13:01"))
	in.Standing, in.Current, in.Now = e.standing, first, at("13:01")
	in.Readings = readings(p, at("13:01"), "shed.level=20")
	sameLines(t, "steps", stepLines(Make(in)), "13:01:00 shed.power=1700", "13:01:10 van.current=10", "13:30:00 van.current=0",
		"13:30:01 shed.power=3000", "14:00:00 shed.power=0")
}

// The wait is bounded: what is not let go for long is waited for no longer.
func TestAStatementIsNotBlocked(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawScene(t, sceneOptions{ranks: 3})
		p, plan := run(s.Input)
		for _, c := range p.changes {
			if c.yielded && c.wait.After(c.due.Add(MostRebound)) {
				t.Fatalf("%s waits until %s\n%s", c.id, c.wait, dump(plan))
			}
		}
	})
}

// Counted command by command, with each lowered draw going on until its read-back is due, no statement with a value passes
// the limit where it would keep it a confirm later.
func TestStatementsKeepTheLimitBetweenCommands(t *testing.T) {
	const confirm = 10 * time.Second
	rapid.Check(t, func(t *rapid.T) {
		refs := []string{"heater.run", "pump.run", "shed.run"}
		kws := []float64{1, 2, 3}
		p := outlet(float64(rapid.IntRange(3, 6).Draw(t, "limit")), 1, loadOf("heater", kws[0], 0), loadOf("pump", kws[1], 0), loadOf("shed", kws[2], 0))
		value := func(label string) string { return rapid.SampledFrom([]string{"on", "off"}).Draw(t, label) }
		var low, high []string
		for _, r := range refs {
			low, high = append(low, r+" = "+value("low")), append(high, r+" = "+value("high"))
		}
		for i := range p.Links {
			p.Links[i].Confirm = confirm
		}
		in := Input{Premises: procedures(p, proc{name: "low", during: low}, proc{name: "high", rank: 5, during: high}), Now: at("12:00"),
			Windows: []actions.Window{win("a", "low", "12:10", "14:00"), win("b", "high", "13:00", "13:30")}, Standing: actions.NewStanding()}
		plan := Make(in)
		draw := func(at time.Time) (sum float64) { // kW
			for i, r := range refs {
				on := false
				for _, s := range plan.Steps {
					switch {
					case s.Point != ref(r) || s.At.After(at):
					case s.Value == actions.Named("on"):
						on = true
					case !s.At.Add(confirm).After(at):
						on = false
					}
				}
				if on {
					sum += kws[i]
				}
			}
			return sum
		}
		limit := p.Supply.LimitW / 1000
		for _, s := range plan.Steps {
			if s.Value == actions.Named("on") && draw(s.At) > limit && draw(s.At.Add(2*confirm)) <= limit {
				t.Fatalf("%s: %.0f kW of %.0f\n%s", s.ID, draw(s.At), limit, dump(plan))
			}
		}
	})
}

// A command that is planned again because nobody knows whether it arrived still starts from what it started from at first:
// until it is read back, that much may be drawn.
func TestACommandThatIsSentAgainKeepsWhatItLowers(t *testing.T) {
	end := actions.Step{ID: "a-d1-end", Window: "a", Hold: "a-d1", Phase: actions.PhaseRestore, Point: ref("shed.power"), Link: "link_shed", At: at("13:00"),
		Due: at("13:00"), Value: actions.Number(0), From: actions.Number(3000), Release: true}
	in := Input{Premises: procedures(yard(4), proc{name: "x", during: []string{"shed.power = 3000 W"}}, proc{name: "y", during: []string{"van.current = 10 A"}}),
		Now: at("13:00:05"), Standing: actions.NewStanding(), Windows: []actions.Window{win("a", "x", "12:00", "13:00"), win("b", "y", "13:00", "14:00")}}
	in.Premises.Device("van").Point("current").Normal = actions.Number(0)
	in.Standing.Steps[end.ID] = actions.StepStanding{Step: end, State: actions.Sent, Tries: 1, Sent: at("13:00")}
	in.Standing.Points[end.Point] = actions.PointStanding{Owed: true, Touched: true, Value: actions.Number(0), Normal: actions.Number(0), Step: end.ID, Window: "a", Sent: at("13:00")}
	steps := map[string]actions.Step{}
	for _, s := range Make(in).Steps {
		steps[s.ID] = s
	}
	if got := steps[end.ID].From; got != end.From {
		t.Errorf("it starts from %s, want %s", got, end.From)
	}
	if got := steps["b-d1"]; !got.At.Equal(at("13:00:15")) {
		t.Errorf("what waits for it goes at %s, want 13:00:15", got.At)
	}
}

// A share that was sent, is not confirmed yet and is to be less again is taken to draw what was sent until then.
func TestAShareThatIsLessBeforeItIsConfirmedIsWaitedFor(t *testing.T) {
	p := procedures(yard(4), proc{name: "x", during: []string{"shed.power = auto"}}, proc{name: "y", rank: 5, during: []string{"van.current = 10 A"}})
	p.Device("van").Point("current").Normal = actions.Number(0)
	rise := actions.Step{ID: "a-d1", Window: "a", Hold: "a-d1", Procedure: "x", Phase: actions.PhaseDuring, Point: ref("shed.power"), Link: "link_shed",
		At: at("13:00"), Due: at("12:00"), Value: actions.Number(3000), From: actions.Number(1000)}
	in := Input{Premises: p, Now: at("13:00:02"), Standing: actions.NewStanding(),
		Windows: []actions.Window{win("a", "x", "12:00", "14:00"), win("b", "y", "13:00", "14:00")}}
	in.Standing.Steps[rise.ID] = actions.StepStanding{Step: rise, State: actions.Sent, Tries: 1, Sent: at("13:00:01")}
	in.Standing.Points[rise.Point] = actions.PointStanding{Owed: true, Touched: true, Value: rise.Value, Normal: actions.Number(0), Step: rise.ID, Window: "a", Sent: at("13:00:01")}
	sameLines(t, "steps", stepLines(Make(in)), "13:00:02 shed.power=1700", "13:00:12 van.current=10", "14:00:00 shed.power=0", "14:00:00 van.current=0")
}

// What ends within the second still counts until it is read back.
func TestAShareWaitsForWhatEndsWithinTheSecond(t *testing.T) {
	p := procedures(outlet(4, 1, loadOf("kiln", 2.5, 0), batteryOf("shed", 3, 10)), proc{name: "x", during: []string{"shed.power = auto"}},
		proc{name: "y", rank: 5, during: []string{"kiln.run = on"}})
	p.Link("link_kiln").Confirm = 10 * time.Second
	s := scene{truth: map[actions.Ref]actions.Value{ref("shed.power"): actions.Number(0), ref("kiln.run"): actions.Named("off")}}
	s.Input = Input{Premises: p, Now: at("12:00"), Standing: actions.NewStanding(),
		Windows: []actions.Window{win("a", "x", "12:00", "14:00"), win("b", "y", "12:30", "13:00")}}
	first := Make(s.Input)
	e := newExecutor(s)
	e.run(p, first.Steps, at("12:59"))
	for _, left := range []time.Duration{30 * time.Second, 1500 * time.Millisecond, 800 * time.Millisecond, time.Millisecond} {
		in := s.Input
		in.Standing, in.Now = e.standing.Clone(), at("13:00").Add(-left)
		sameLines(t, left.String()+" before", stepLines(Make(in)), "13:00:00 kiln.run=off", "13:00:10 shed.power=3000", "14:00:00 shed.power=0")
	}
}

// A share that makes way before a statement which gives back is nothing until then, and again while it waits for its turn
// afterwards: sharing gives nothing back.
func TestAShareThatMakesWayGivesNothingBack(t *testing.T) {
	house := yard(4)
	house.Device("shed").Point("power").Min = -3000
	p := procedures(house, proc{name: "x", during: []string{"shed.power = auto"}},
		proc{name: "y", rank: 5, during: []string{"shed.power = -2500 W", "van.current = 10 A"}})
	p.Device("van").Point("current").Normal = actions.Number(0)
	plan := planOf(p, "11:00", []actions.Window{win("a", "x", "12:00", "14:00"), win("b", "y", "13:00", "13:30")}, "shed.level=20")
	sameLines(t, "steps", stepLines(plan), "12:00:00 shed.power=3000", "12:59:50 shed.power=0", "13:00:00 shed.power=-2500", "13:00:00 van.current=10",
		"13:30:00 shed.power=0", "13:30:00 van.current=0", "13:30:01 shed.power=3000", "14:00:00 shed.power=0")
}

// A battery that a window makes charge goes on drawing when a stronger lead-in of a later window takes its power over.
func TestALeadInTakesOverWhatIsDrawn(t *testing.T) {
	p := procedures(outlet(6, 1, batteryOf("shed", 3, 10)), proc{name: "now", during: []string{"shed.power = 3000 W"}},
		proc{name: "next", rank: 5, leadIn: []string{"shed.power = 2000 W from -30m"}})
	plan := planOf(p, "12:00", []actions.Window{win("a", "now", "12:10", "13:00"), win("b", "next", "13:10", "14:00")}, "shed.level=0")
	var got []string
	for _, s := range plan.Profile {
		if s.Device == "shed" {
			got = append(got, s.From.Format("15:04")+" to "+s.To.Format("15:04")+" "+strconv.FormatFloat(s.KW, 'f', -1, 64))
		}
	}
	sameLines(t, "profile", got, "12:10 to 12:40 3", "12:40 to 13:00 2", "13:10 to 14:00 2")
}
