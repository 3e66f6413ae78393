package plan

import (
	"slices"
	"strings"
	"testing"
	"time"

	"spillway/actions"
)

// latePremises have a charger that takes a current only after the battery's mode is set, and two procedures alike.
func latePremises() *actions.Premises {
	return procedures(smallholding(),
		proc{name: "strong", rank: 10, leadIn: []string{"barn_battery.charge_power = 5000 W"}, during: []string{"barn_battery.mode = charge"}},
		proc{name: "weak", rank: 5, leadIn: []string{"barn_battery.charge_power = 2000 W"}, during: []string{"barn_battery.mode = idle"}})
}

// DESIGN 6.6: a late start sends lead-in and during in their order. Where a stronger window is over and nothing of either
// was ever sent, what is sent now begins the weaker one and gives nothing back.
func TestLateStartAfterAStrongerWindow(t *testing.T) {
	p := latePremises()
	got := Make(Input{Premises: p, Now: at("13:30"), Standing: actions.NewStanding(),
		Readings: readings(p, at("13:30"), "barn_battery.mode=own_use", "barn_battery.charge_power=3000"),
		Windows:  []actions.Window{win("a", "weak", "12:00", "15:00"), win("b", "strong", "12:30", "13:00")}})
	want := []string{"13:30:00 barn_battery.charge_power=2000", "13:30:15 barn_battery.mode=idle"}
	if lines := stepLines(got)[:2]; !slices.Equal(lines, want) {
		t.Errorf("steps %q, want %q", lines, want)
	}
	for _, s := range got.Steps[:2] {
		if s.Phase == actions.PhaseRestore || s.Window != "a" {
			t.Errorf("%s is %s of %s", s.ID, s.Phase, s.Window)
		}
	}
}

// A step that was given up is not tried under the same id for ever: the next for the same value is another.
func TestGivenUpStepKeepsItsID(t *testing.T) {
	p := latePremises()
	st := actions.NewStanding()
	failed := actions.Step{ID: "b-d1", Window: "b", Phase: actions.PhaseDuring, Link: "barn", Point: ref("barn_battery.mode"),
		Value: actions.Named("charge"), Hold: "b-d1", At: at("12:30"), Due: at("12:30"), Start: at("12:30")}
	st.Apply(actions.Entry{Kind: actions.EntryNormal, At: at("12:30"), Point: failed.Point, Value: actions.Named("own_use")})
	st.Apply(actions.Entry{Kind: actions.EntryIntent, At: at("12:30"), Step: failed, Tries: 1})
	st.Apply(actions.Entry{Kind: actions.EntrySettled, At: at("12:31"), Step: failed, State: actions.Failed})
	weak := win("a", "weak", "12:00", "15:00")
	weak.Procedure = "strong"
	got := Make(Input{Premises: p, Now: at("12:35"), Standing: st, Windows: []actions.Window{weak, win("b", "strong", "12:30", "13:00")}})
	for _, s := range got.Steps {
		if s.ID == failed.ID {
			t.Errorf("%s is planned again: %+v", s.ID, s)
		}
	}
}

// DESIGN 4.7: what was read last counts once the hold is on, and a restart that has read nothing yet changes nothing.
func TestGuardAfterARestart(t *testing.T) {
	p := procedures(smallholding(), proc{name: "q", during: []string{"van.current = 10 A if van.plugged = yes"}})
	st := actions.NewStanding()
	s := actions.Step{ID: "a-d1", Window: "a", Phase: actions.PhaseDuring, Link: "yard", Point: ref("van.current"), Value: actions.Number(10),
		Hold: "a-d1", At: at("12:00"), Due: at("12:00"), Start: at("12:00")}
	st.Apply(actions.Entry{Kind: actions.EntryIntent, At: at("12:00"), Step: s, Tries: 1})
	st.Apply(actions.Entry{Kind: actions.EntrySent, At: at("12:00"), Step: s})
	st.Apply(actions.Entry{Kind: actions.EntrySettled, At: at("12:00"), Step: s, State: actions.Confirmed})
	in := Input{Premises: p, Now: at("12:30"), Standing: st, Windows: []actions.Window{win("a", "q", "12:00", "15:00")}}
	got := Make(in)
	if lines := stepLines(got); len(lines) != 1 || lines[0] != "15:00:00 van.current=16" {
		t.Errorf("held by a guard that nobody has read since: %q", lines)
	}
	in.Standing = actions.NewStanding()
	if lines := stepLines(Make(in)); len(lines) != 0 {
		t.Errorf("a guard that cannot be read when due is false: %q", lines)
	}
}

// A window tells what it holds from when to when, also where no command is needed.
func TestClaims(t *testing.T) {
	p := latePremises()
	got := Make(Input{Premises: p, Now: at("11:00"), Standing: actions.NewStanding(),
		Readings: readings(p, at("11:00"), "barn_battery.mode=idle", "barn_battery.charge_power=3000"),
		Windows:  []actions.Window{win("a", "weak", "12:00", "15:00")}})
	want := []actions.Claim{
		{ID: "a-l1", Point: ref("barn_battery.charge_power"), Phase: actions.PhaseLeadIn, From: at("11:59:15"), To: at("15:00"), Value: actions.Number(2000)},
		{ID: "a-d1", Point: ref("barn_battery.mode"), Phase: actions.PhaseDuring, From: at("12:00"), To: at("15:00"), Value: actions.Named("idle")},
	}
	if c := got.Window("a").Claims; !slices.Equal(c, want) {
		t.Errorf("claims %+v, want %+v", c, want)
	}
}

// What the point had by itself for one hold it has for the next that asks for the same: what it reads since is a hand's
// matter, and no reason to write.
func TestHadAlreadyForAnotherHold(t *testing.T) {
	p := procedures(smallholding(), proc{name: "q", during: []string{"barn_battery.mode = charge"}})
	st := actions.NewStanding()
	s := actions.Step{ID: "a-d1", Window: "a", Phase: actions.PhaseDuring, Link: "barn", Point: ref("barn_battery.mode"), Value: actions.Named("charge"),
		Hold: "a-d1", At: at("12:00"), Due: at("12:00"), Start: at("12:00")}
	st.Apply(actions.Entry{Kind: actions.EntryNormal, At: at("12:00"), Point: s.Point, Value: s.Value})
	st.Apply(actions.Entry{Kind: actions.EntrySettled, At: at("12:00"), Step: s, State: actions.Confirmed})
	got := Make(Input{Premises: p, Now: at("12:30"), Standing: st, Readings: readings(p, at("12:30"), "barn_battery.mode=idle"),
		Windows: []actions.Window{win("a", "q", "12:00", "15:00"), win("b", "q", "12:15", "15:00")}})
	if lines := stepLines(got); len(lines) != 0 {
		t.Errorf("steps %q, want none", lines)
	}
}

// A lead-in that cannot be sent before the window's own statement on its point is due is left out and said, also where
// nothing limits the supply and something is shared: by hand, the second command could go at 13:00:10 only.
func TestLeadInThatDoesNotFitIsSaid(t *testing.T) {
	for name, limit := range map[string]float64{"limited": 13800, "not limited": 0} {
		t.Run(name, func(t *testing.T) {
			p := procedures(smallholding(), proc{name: "x", leadIn: []string{"barn_battery.charge_power = 5000 W", "barn_battery.mode = idle"},
				during: []string{"barn_battery.mode = charge", "ice_bank.run = auto"}})
			p.Supply.LimitW = limit
			plan := planOf(p, "12:59:55", []actions.Window{win("a", "x", "13:00", "14:00")}, "barn_battery.charge_power=3000", "barn_battery.mode=own_use")
			mustContain(t, problems(plan, "a"), "“barn_battery.mode = idle” is left out: it was due at ")
			for _, s := range plan.Steps {
				if s.Value == actions.Named("idle") {
					t.Errorf("%s is sent at %s", s.ID, s.At)
				}
			}
		})
	}
}

// A command that was planned in time and waits for the spacing of its link is not called late when the plan is made again
// meanwhile; one of a window that is taken only then is, and stays so.
func TestWaitingIsNotLate(t *testing.T) {
	p := procedures(smallholding(), proc{name: "q", during: []string{"barn_battery.mode = charge", "barn_battery.charge_power = 5000 W"}})
	in := Input{Premises: p, Now: at("11:00"), Standing: actions.NewStanding(), Windows: []actions.Window{win("a", "q", "12:00", "15:00")},
		Readings: readings(p, at("11:00"), "barn_battery.mode=idle", "barn_battery.charge_power=3000")}
	said := func(plan *actions.Plan) (late int) {
		for _, s := range plan.Steps {
			if strings.Contains(s.Why, "late") {
				late++
			}
		}
		return late
	}
	ahead := Make(in)
	in.Now = at("12:00").Add(2 * time.Second)
	taken := Make(in)
	in.Current = ahead
	waiting := Make(in)
	in.Current, in.Now = taken, in.Now.Add(time.Second)
	again := Make(in)
	if said(ahead) != 0 || said(waiting) != 0 || said(taken) != 2 || said(again) != 2 {
		t.Errorf("called late: ahead %d, waiting %d; taken late %d, and again %d", said(ahead), said(waiting), said(taken), said(again))
	}
	in.Current, in.Now = ahead, at("12:00").Add(2*time.Second)
	in.Windows = []actions.Window{win("a", "q", "11:30", "15:00")} // moved to a start that is over
	if moved := Make(in); said(moved) != 2 {
		t.Errorf("moved: %d called late: %+v", said(moved), moved.Steps)
	}
}

// DESIGN 5.5: what comes too late is said, also where nothing of it is left to send, and goes on being said; what was
// planned in time and is over is not.
func TestHoldOverBeforeItWasPlanned(t *testing.T) {
	p := procedures(smallholding(), proc{name: "q",
		leadIn: []string{"barn_battery.charge_power = 5000 W for 20m"}, during: []string{"barn_battery.mode = charge for 10m", "van.current = 10 A"}})
	in := Input{Premises: p, Now: at("13:30"), Standing: actions.NewStanding(), Windows: []actions.Window{win("a", "q", "13:00", "14:00")},
		Readings: readings(p, at("13:30"), "barn_battery.mode=own_use", "barn_battery.charge_power=3000")}
	want := "“barn_battery.mode = charge for 10m” was over at 13:10, before this was planned: nothing is done for it"
	first := Make(in)
	if got := first.Windows[0].Problems; !slices.Contains(got, want) {
		t.Errorf("planned late: %q, want %q", got, want)
	}
	in.Now, in.Current = at("13:40"), first
	if got := Make(in).Windows[0].Problems; !slices.Contains(got, want) {
		t.Errorf("planned again: %q, want %q", got, want)
	}
	in.Now, in.Current = at("12:50"), nil
	in.Current = Make(in)
	in.Now = at("13:30")
	if got := Make(in).Windows[0].Problems; slices.ContainsFunc(got, func(s string) bool { return strings.Contains(s, "was over") }) {
		t.Errorf("planned in time: %q", got)
	}
}

// A reason tells of no hold whose command was left out.
func TestReasonFollowsNothingLeftOut(t *testing.T) {
	p := procedures(smallholding(), proc{name: "q", leadIn: []string{"barn_battery.charge_power = 5000 W", "barn_battery.mode = idle"},
		during: []string{"barn_battery.mode = charge"}})
	got := Make(Input{Premises: p, Now: at("12:59").Add(55 * time.Second), Standing: actions.NewStanding(), Windows: []actions.Window{win("a", "q", "13:00", "14:00")},
		Readings: readings(p, at("12:59"), "barn_battery.mode=own_use", "barn_battery.charge_power=3000")})
	for _, s := range got.Steps {
		if s.Point.Point == "mode" && (s.Phase == actions.PhaseLeadIn || strings.Contains(s.Why, "follows")) {
			t.Errorf("%s = %s: %s", s.ID, s.Value, s.Why)
		}
	}
	if !slices.ContainsFunc(got.Windows[0].Problems, func(s string) bool { return strings.Contains(s, "is left out") }) {
		t.Errorf("nothing is left out: %q", got.Windows[0].Problems)
	}
}
