package plan

import (
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"spillway/actions"
)

// surplus is the smallholding with one procedure.
func surplus() *actions.Premises {
	return procedures(smallholding(), proc{name: "surplus", rank: 10, direction: actions.TurnUp,
		leadIn: []string{"barn_battery.charge_power = 5000 W"},
		during: []string{"barn_battery.mode = charge", "cylinder.boost = on for 25m", "van.current = 20 A if van.plugged = yes"}},
		proc{name: "saver", rank: 20, direction: actions.TurnDown, during: []string{"cylinder.boost = off", "barn_battery.mode = idle"}})
}

// A story plans, carries out until an instant, and plans again.
type story struct {
	in Input
	e  *executor
}

func begin(p *actions.Premises, now string, windows []actions.Window, reads ...string) *story {
	s := &story{in: Input{Premises: p, Windows: windows, Now: at(now), Readings: readings(p, at(now), reads...), Standing: actions.NewStanding()}}
	s.e = newExecutor(scene{truth: map[actions.Ref]actions.Value{
		ref("barn_battery.mode"): actions.Named("own_use"), ref("barn_battery.charge_power"): actions.Number(3000),
		ref("cylinder.boost"): actions.Named("off"), ref("van.current"): actions.Number(16), ref("ice_bank.run"): actions.Named("off"),
	}})
	return s
}

// until carries the plan out up to and including an instant.
func (s *story) until(now string) *story {
	s.e.run(s.in.Premises, s.plan().Steps, at(now))
	s.in.Now, s.in.Standing = at(now), s.e.standing.Clone()
	return s
}

func (s *story) read(list ...string) *story {
	for r, v := range readings(s.in.Premises, s.in.Now, list...) {
		s.in.Readings[r] = v
	}
	return s
}

func (s *story) plan() *actions.Plan { return Make(s.in) }

func (s *story) steps(t *testing.T, want ...string) *actions.Plan {
	t.Helper()
	p := s.plan()
	var got []string
	for _, x := range p.Steps {
		got = append(got, x.At.Format("15:04:05")+" "+x.ID+" "+x.Point.String()+"="+x.Value.String())
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("steps (-want +got):\n%s", d)
	}
	return p
}

func oneWindow() []actions.Window { return []actions.Window{win("a", "surplus", "13:00", "14:00")} }

func TestWindowCalledOff(t *testing.T) {
	s := begin(surplus(), "12:00", oneWindow(), "van.plugged=yes").until("13:10")
	s.in.Windows = nil
	p := s.steps(t, "13:10:00 a-l1-end barn_battery.charge_power=3000", "13:10:00 a-d2-end cylinder.boost=off", "13:10:00 a-d3-end van.current=16", "13:10:15 a-d1-end barn_battery.mode=own_use")
	for _, x := range p.Steps {
		if x.Window != "a" || x.Phase != actions.PhaseRestore || !x.Release {
			t.Errorf("%s: window %q, %s, release %v", x.ID, x.Window, x.Phase, x.Release)
		}
	}
}

func TestWindowMovedToLater(t *testing.T) {
	s := begin(surplus(), "12:00", oneWindow(), "van.plugged=no").until("13:10")
	s.in.Windows = []actions.Window{win("a", "surplus", "16:00", "17:00")}
	s.steps(t, "13:10:00 a-l1-end barn_battery.charge_power=3000", "13:10:00 a-d2-end cylinder.boost=off", "13:10:15 a-d1-end barn_battery.mode=own_use",
		"15:59:15 a-l1-2 barn_battery.charge_power=5000", "16:00:00 a-d1-2 barn_battery.mode=charge", "16:00:00 a-d2-2 cylinder.boost=on",
		"16:25:00 a-d2-end-2 cylinder.boost=off", "17:00:00 a-l1-end-2 barn_battery.charge_power=3000", "17:00:15 a-d1-end-2 barn_battery.mode=own_use")
}

func TestMissedRestoreIsDone(t *testing.T) {
	s := begin(surplus(), "12:00", oneWindow(), "van.plugged=no").until("13:10")
	s.in.Now = at("18:00")
	s.steps(t, "18:00:00 a-l1-end barn_battery.charge_power=3000", "18:00:00 a-d2-end cylinder.boost=off", "18:00:15 a-d1-end barn_battery.mode=own_use")
}

func TestMissedWindowIsNotRunLate(t *testing.T) {
	s := begin(surplus(), "14:00", oneWindow())
	s.steps(t)
}

func TestStoodDown(t *testing.T) {
	s := begin(surplus(), "12:00", oneWindow(), "van.plugged=no").until("13:30")
	s.in.Standing.Down["a"] = at("15:00")
	p := s.steps(t, "13:30:00 a-l1-end barn_battery.charge_power=3000", "13:30:15 a-d1-end barn_battery.mode=own_use")
	if p.Windows[0].State != actions.Cancelled {
		t.Errorf("state: %s", p.Windows[0].State)
	}
	mustContain(t, problems(p, "a"), "stood down")
}

// An intent with no outcome, or a send not confirmed, is the same command again at once, by the same name.
func TestUnsureIsSentAgain(t *testing.T) {
	for _, state := range []actions.StepState{actions.Planned, actions.Sent} {
		s := begin(surplus(), "12:00", oneWindow(), "van.plugged=no").until("12:59:00")
		first := s.plan().Steps[0]
		s.in.Standing.Apply(actions.Entry{Kind: actions.EntryNormal, Point: first.Point, Value: actions.Number(3000)})
		s.in.Standing.Apply(actions.Entry{Kind: actions.EntryIntent, At: first.At, Step: first, Tries: 1})
		if state == actions.Sent {
			s.in.Standing.Apply(actions.Entry{Kind: actions.EntrySent, At: first.At, Step: first})
		}
		s.in.Now = at("12:59:20")
		want := "12:59:20 a-l1 barn_battery.charge_power=5000"
		if state == actions.Sent { // the spacing counts from the send
			want = "12:59:30 a-l1 barn_battery.charge_power=5000"
		}
		p := s.steps(t, want, "13:00:00 a-d1 barn_battery.mode=charge", "13:00:00 a-d2 cylinder.boost=on", "13:25:00 a-d2-end cylinder.boost=off",
			"14:00:00 a-l1-end barn_battery.charge_power=3000", "14:00:15 a-d1-end barn_battery.mode=?")
		if slices.ContainsFunc(p.Windows[0].Problems, func(s string) bool { return len(s) > 0 && s[0] == '1' }) {
			t.Errorf("problems: %q", p.Windows[0].Problems)
		}
	}
}

// A box that lost what it was told gets the same step once more.
func TestDoubtIsSentAgain(t *testing.T) {
	s := begin(surplus(), "12:00", oneWindow(), "van.plugged=no").until("13:30")
	s.in.Standing.Apply(actions.Entry{Kind: actions.EntryDoubt, At: at("13:30"), Point: ref("barn_battery.mode")})
	s.steps(t, "13:30:00 a-d1 barn_battery.mode=charge", "14:00:00 a-l1-end barn_battery.charge_power=3000", "14:00:15 a-d1-end barn_battery.mode=own_use")
}

// A hold whose command failed is given up, with the later statements on its device; others go on, and what may have
// arrived is given back.
func TestFailedStepGivesItsHoldUp(t *testing.T) {
	s := begin(surplus(), "12:00", oneWindow(), "van.plugged=yes").until("12:59:00")
	first := s.plan().Steps[0]
	s.in.Standing.Apply(actions.Entry{Kind: actions.EntryNormal, Point: first.Point, Value: actions.Number(3000)})
	s.in.Standing.Apply(actions.Entry{Kind: actions.EntryIntent, At: first.At, Step: first, Tries: 3})
	s.in.Standing.Apply(actions.Entry{Kind: actions.EntrySettled, At: first.At, Step: first, State: actions.Failed})
	s.in.Now = at("12:59:20")
	s.steps(t, "12:59:20 a-l1-end barn_battery.charge_power=3000", "13:00:00 a-d2 cylinder.boost=on", "13:00:00 a-d3 van.current=20",
		"13:25:00 a-d2-end cylinder.boost=off", "14:00:00 a-d3-end van.current=16")
}

func TestHandStays(t *testing.T) {
	windows := append(oneWindow(), win("b", "saver", "13:50", "15:00"))
	s := begin(surplus(), "12:00", windows, "van.plugged=no").until("13:30")
	s.in.Standing.Apply(actions.Entry{Kind: actions.EntryHand, At: at("13:30"), Point: ref("barn_battery.mode"), Value: actions.Named("own_use"), Holds: []string{"a"}})
	p := s.steps(t, "13:50:00 b-d2 barn_battery.mode=idle", "14:00:00 a-l1-end barn_battery.charge_power=3000", "15:00:00 b-d2-end barn_battery.mode=own_use")
	mustContain(t, problems(p, "a"), "barn_battery.mode was set to own_use by hand")
}

func TestGuards(t *testing.T) {
	p := surplus()
	t.Run("comes home", func(t *testing.T) {
		s := begin(p, "12:00", oneWindow(), "van.plugged=no").until("13:20").read("van.plugged=yes")
		s.steps(t, "13:20:00 a-d3 van.current=20", "13:25:00 a-d2-end cylinder.boost=off", "14:00:00 a-l1-end barn_battery.charge_power=3000",
			"14:00:00 a-d3-end van.current=16", "14:00:15 a-d1-end barn_battery.mode=own_use")
	})
	t.Run("leaves, and comes back", func(t *testing.T) {
		s := begin(p, "12:00", oneWindow(), "van.plugged=yes").until("13:30").read("van.plugged=no")
		plan := s.steps(t, "13:30:00 a-d3-end van.current=16", "14:00:00 a-l1-end barn_battery.charge_power=3000", "14:00:15 a-d1-end barn_battery.mode=own_use")
		mustContain(t, problems(plan, "a"), "van.plugged is no")
		s.until("13:40").read("van.plugged=yes")
		s.steps(t, "13:40:00 a-d3-2 van.current=20", "14:00:00 a-l1-end barn_battery.charge_power=3000", "14:00:00 a-d3-end-2 van.current=16",
			"14:00:15 a-d1-end barn_battery.mode=own_use")
	})
	t.Run("not readable when due", func(t *testing.T) {
		s := begin(p, "13:00", oneWindow())
		mustContain(t, problems(s.plan(), "a"), "van.plugged cannot be read")
		s = begin(p, "12:59", oneWindow())
		if slices.ContainsFunc(s.plan().Steps, func(x actions.Step) bool { return x.ID == "a-d3" }) != true {
			t.Error("a guard that is not read yet is forecast to hold")
		}
	})
	t.Run("last known later", func(t *testing.T) {
		s := begin(p, "12:00", oneWindow(), "van.plugged=yes").until("13:30")
		r := s.in.Readings[ref("van.plugged")]
		r.Failed = true
		s.in.Readings[ref("van.plugged")] = r
		if p := problems(s.plan(), "a"); p != "" {
			t.Errorf("problems: %s", p)
		}
	})
	t.Run("looks at what the window sets", func(t *testing.T) {
		q := procedures(smallholding(), proc{name: "chain", leadIn: []string{"barn_battery.mode = charge", "van.current = 10 A if barn_battery.mode = charge"}})
		s := begin(q, "12:00", []actions.Window{win("a", "chain", "13:00", "14:00")}, "barn_battery.mode=own_use")
		s.steps(t, "12:59:05 a-l1 barn_battery.mode=charge", "12:59:20 a-l2 van.current=10", "14:00:00 a-l1-end barn_battery.mode=own_use", "14:00:00 a-l2-end van.current=16")
	})
}

func TestDescriptionsStatements(t *testing.T) {
	p := surplus()
	w := oneWindow()
	w[0].Extra = statements(p, actions.PhaseDuring, []string{"van.current = 10 A for 30m"})
	w[0].SkipDevices = []string{"barn_battery"}
	s := begin(p, "12:00", w, "van.plugged=yes")
	plan := s.steps(t, "13:00:00 a-d2 cylinder.boost=on", "13:00:00 a-x1 van.current=10", "13:25:00 a-d2-end cylinder.boost=off",
		"13:30:00 a-x1-end van.current=20", "14:00:00 a-d3-end van.current=16")
	mustContain(t, problems(plan, "a"), "barn_battery is left out, as the event's description asks")
}

func TestCannotBeHeld(t *testing.T) {
	p := procedures(smallholding(), proc{name: "x", during: []string{"cylinder.boost = on"}})
	p.Device("cylinder").Enabled = false
	s := begin(p, "12:00", []actions.Window{win("a", "x", "13:00", "14:00"), win("b", "none", "13:00", "14:00")})
	plan := s.steps(t)
	mustContain(t, problems(plan, "a"), "cylinder is not enabled")
	mustContain(t, problems(plan, "b"), `there is no procedure "none"`)
}

// What does not fit before the window is sent late, in order, at the spacing.
func TestLeadInIsCompressed(t *testing.T) {
	p := procedures(smallholding(), proc{name: "x", leadIn: []string{"barn_battery.mode = charge wait 40s", "barn_battery.charge_power = 4000 W", "ice_bank.run = on"}})
	s := begin(p, "12:50", []actions.Window{win("a", "x", "13:00", "14:00")}, "barn_battery.mode=own_use")
	plan := s.steps(t, "12:58:20 a-l1 barn_battery.mode=charge", "12:59:00 a-l2 barn_battery.charge_power=4000", "12:59:15 a-l3 ice_bank.run=on",
		"14:00:00 a-l3-end ice_bank.run=off", "14:00:15 a-l2-end barn_battery.charge_power=?", "14:00:30 a-l1-end barn_battery.mode=own_use")
	if got := problems(plan, "a"); got != "" {
		t.Errorf("problems: %s", got)
	}
	s.in.Now = at("12:58:50")
	plan = s.steps(t, "12:58:50 a-l1 barn_battery.mode=charge", "12:59:30 a-l2 barn_battery.charge_power=4000", "12:59:45 a-l3 ice_bank.run=on",
		"14:00:00 a-l3-end ice_bank.run=off", "14:00:15 a-l2-end barn_battery.charge_power=?", "14:00:30 a-l1-end barn_battery.mode=own_use")
	mustContain(t, problems(plan, "a"), "3 lead-in commands come late: the first was due at 12:58:20 and is sent at 12:58:50, too late to be confirmed before the window")
}

// A lead-in whose slot is taken by another window's commands goes before them.
func TestOccupiedSlotMovesALeadInEarlier(t *testing.T) {
	p := procedures(smallholding(), proc{name: "x", leadIn: []string{"ice_bank.run = on"}}, proc{name: "y", during: []string{"barn_battery.mode = charge", "barn_battery.charge_power = 4000 W"}})
	s := begin(p, "12:00", []actions.Window{win("a", "x", "13:00", "14:00"), win("b", "y", "12:59:10", "12:59:50")}, "barn_battery.mode=own_use", "barn_battery.charge_power=3000")
	s.steps(t, "12:58:55 a-l1 ice_bank.run=on", "12:59:10 b-d1 barn_battery.mode=charge", "12:59:25 b-d2 barn_battery.charge_power=4000",
		"12:59:50 b-d2-end barn_battery.charge_power=3000", "13:00:05 b-d1-end barn_battery.mode=own_use", "14:00:00 a-l1-end ice_bank.run=off")
}

// Ends of draws go before starts, also of other windows on the link.
func TestEndsOfDrawsBeforeStarts(t *testing.T) {
	p := procedures(smallholding(), proc{name: "x", during: []string{"ice_bank.run = on"}}, proc{name: "y", during: []string{"barn_battery.mode = charge", "barn_battery.charge_power = 4000 W"}})
	s := begin(p, "12:00", []actions.Window{win("a", "y", "13:00", "14:00"), win("b", "x", "12:00", "13:00")}, "barn_battery.mode=own_use", "barn_battery.charge_power=0")
	s.until("12:00")
	s.steps(t, "13:00:00 b-d1-end ice_bank.run=off", "13:00:15 a-d1 barn_battery.mode=charge", "13:00:30 a-d2 barn_battery.charge_power=4000",
		"14:00:00 a-d2-end barn_battery.charge_power=0", "14:00:15 a-d1-end barn_battery.mode=own_use")
}

func TestStates(t *testing.T) {
	for now, want := range map[string]actions.WindowState{"12:59:14": actions.Far, "12:59:15": actions.Near, "12:59:59": actions.Near,
		"13:00": actions.Active, "13:59:59": actions.Active, "14:00": actions.Completed} {
		p := begin(surplus(), now, oneWindow(), "van.plugged=no").plan()
		if got := p.Windows[0].State; got != want {
			t.Errorf("at %s: %s, want %s", now, got, want)
		}
	}
	s := begin(surplus(), "12:00", oneWindow(), "van.plugged=no").until("12:59:30")
	if w := s.plan().Windows[0]; w.State != actions.Near || !w.LeadIn.Equal(at("12:59:15")) || w.Done.Before(w.End) {
		t.Errorf("after its lead-in: %s, lead-in %s, done %s", w.State, w.LeadIn, w.Done)
	}
	in := s.in
	in.To = at("13:00")
	if p := Make(in); len(p.Windows) != 0 {
		t.Error("a window that starts at the horizon is left out")
	}
}

// A window that comes to another procedure begins its lead-ins when they are due, whatever was sent under their ids for its
// old one, on other points.
func TestOtherProcedureKeepsNoSlots(t *testing.T) {
	p := procedures(smallholding(),
		proc{name: "early", rank: 10, leadIn: []string{"cylinder.boost = on from -50m"}, during: []string{"barn_battery.mode = charge"}},
		proc{name: "late", rank: 10, leadIn: []string{"barn_battery.charge_power = 5000 W"}, during: []string{"barn_battery.mode = charge"}})
	s := begin(p, "12:00", []actions.Window{win("a", "early", "13:00", "14:00")}).until("12:10")
	s.in.Windows = []actions.Window{win("a", "late", "13:00", "14:00")}
	s.in.Now = at("12:20")
	s.steps(t, "12:20:00 a-l1-cylinder.boost-end cylinder.boost=off", "12:59:15 a-l1-2 barn_battery.charge_power=5000",
		"13:00:00 a-d1 barn_battery.mode=charge", "14:00:00 a-l1-end barn_battery.charge_power=?", "14:00:15 a-d1-end barn_battery.mode=?")
}

// A step that was given up for one procedure says nothing of the hold that has its id under another, be it on the same point; for
// the same procedure it does.
func TestOtherProcedureIsTriedAnew(t *testing.T) {
	p := procedures(smallholding(), proc{name: "fill", rank: 10, during: []string{"barn_battery.mode = charge"}},
		proc{name: "rest", rank: 10, during: []string{"barn_battery.mode = idle"}})
	s := begin(p, "12:00", []actions.Window{win("a", "fill", "13:00", "14:00")}).until("12:59")
	failed := s.plan().Steps[0]
	if failed.Procedure != "fill" {
		t.Fatalf("%s is of procedure %q", failed.ID, failed.Procedure)
	}
	s.in.Standing.Apply(actions.Entry{Kind: actions.EntryIntent, At: failed.At, Step: failed, Tries: 3})
	s.in.Standing.Apply(actions.Entry{Kind: actions.EntrySent, At: failed.At, Step: failed, State: actions.Failed})
	s.in.Standing.Apply(actions.Entry{Kind: actions.EntrySettled, At: failed.At, Step: failed, State: actions.Failed})
	s.in.Now = at("13:10")
	for _, c := range []struct {
		procedure string
		held      bool
	}{{"fill", false}, {"rest", true}} {
		s.in.Windows = []actions.Window{win("a", c.procedure, "13:00", "14:00")}
		if claims := s.plan().Windows[0].Claims; len(claims) != 1 || claims[0].Off == c.held {
			t.Errorf("under %s the window holds %+v", c.procedure, claims)
		}
	}
}

// What a point goes back to in the end is owed nothing once it is told: where the point cannot be read it is told once all the
// same, and not by every plan.
func TestWhatStaysIsToldOnce(t *testing.T) {
	p := procedures(smallholding(), proc{name: "surplus", rank: 10, leadIn: []string{"cylinder.boost = on wait 90s"}, restore: []string{"cylinder.boost = on"}})
	s := begin(p, "12:00", oneWindow())
	s.steps(t, "12:58:00 a-l1 cylinder.boost=on")
	for _, now := range []string{"12:58:10", "13:10", "13:59"} {
		s.until(now).steps(t)
	}
}
