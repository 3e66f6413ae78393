package plan

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"spillway/actions"
)

// TestRestoreOrderAfterARestart has a charger that takes a current in one control only. After a restart its guard is not
// read yet; the current goes back before the control all the same, or the charger would refuse it for ever.
func TestRestoreOrderAfterARestart(t *testing.T) {
	point := func(name, unit string, values ...string) actions.Point {
		p := actions.Point{Ref: ref(name), Write: &actions.Address{}, Read: &actions.Address{}, Unit: unit}
		p.Values = names(values...)
		return p
	}
	premises := &actions.Premises{
		Zone: time.UTC, Margin: 30 * time.Second, Supply: actions.Supply{VoltageV: 230, Phases: 1},
		Links: []actions.Link{{Name: "yard", Confirm: 10 * time.Second, Tries: 3}},
		Devices: []actions.Device{{Name: "van", Link: "yard", Kind: actions.Vehicle, Enabled: true, Points: []actions.Point{
			point("van.control", "", "local", "remote"), point("van.current", "A"), point("van.plugged", "", "no", "yes"),
		}}},
		Procedures: []actions.Procedure{{Name: "surplus", Rank: 10, Longest: 24 * time.Hour,
			LeadIn: []actions.Statement{{Point: ref("van.control"), Want: actions.Want{Value: actions.Named("remote")}}},
			During: []actions.Statement{{Point: ref("van.current"), Want: actions.Want{Value: actions.Number(10)},
				Guard: &actions.Guard{Point: ref("van.plugged"), Op: "=", Value: actions.Named("yes")}}},
		}},
	}
	w := actions.Window{ID: "w", UID: "w", Procedure: "surplus", Start: at("13:00"), End: at("14:00")}
	st := actions.NewStanding()
	in := Input{Premises: premises, Windows: []actions.Window{w}, Standing: st, Now: at("12:00"), Readings: actions.Readings{
		ref("van.plugged"): {Value: actions.Named("yes"), At: at("12:00")},
		ref("van.control"): {Value: actions.Named("local"), At: at("12:00")},
		ref("van.current"): {Value: actions.Number(0), At: at("12:00")},
	}}
	for _, s := range Make(in).Steps {
		if s.Phase == actions.PhaseRestore {
			break
		}
		st.Apply(actions.Entry{Kind: actions.EntryNormal, At: s.At, Point: s.Point, Value: s.From})
		st.Apply(actions.Entry{Kind: actions.EntryIntent, At: s.At, Step: s, Tries: 1})
		st.Apply(actions.Entry{Kind: actions.EntrySent, At: s.At, Step: s})
		st.Apply(actions.Entry{Kind: actions.EntrySettled, At: s.At, Step: s, State: actions.Confirmed, ReadBack: s.Value})
	}
	// The program was killed between the intent of the first restore and its send.
	in.Standing, in.Now = st, at("14:00")
	first := Make(in).Steps[0]
	st.Apply(actions.Entry{Kind: actions.EntryIntent, At: at("14:00"), Step: first, Tries: 1})
	st.Apply(actions.Entry{Kind: actions.EntrySent, At: at("14:00:02"), Step: first})
	in.Standing, in.Readings, in.Now = st, nil, at("14:00:02")
	steps := Make(in).Steps
	if len(steps) != 2 || steps[0].Point != ref("van.current") || steps[1].Point != ref("van.control") {
		t.Errorf("restored in the wrong order: %+v", steps)
	}
}

// What a weaker window's hold draws makes way first, whether the plan is made before the stronger window begins or as it
// does.
func TestDropsFirstAlsoAtTheStart(t *testing.T) {
	p := procedures(smallholding(), proc{name: "weak", rank: 1, during: []string{"ice_bank.run = on"}},
		proc{name: "strong", rank: 10, during: []string{"barn_battery.mode = charge", "ice_bank.run = off"}})
	s := begin(p, "11:59", []actions.Window{win("a", "weak", "12:00", "14:00"), win("b", "strong", "13:00", "14:00")}, "barn_battery.mode=own_use").until("12:30")
	for _, now := range []string{"12:59:30", "13:00:00"} {
		s.in.Now = at(now)
		var got []string
		for _, x := range s.plan().Steps {
			if x.Link == "barn" && x.At.Before(at("13:30")) {
				got = append(got, x.At.Format("15:04:05")+" "+x.ID)
			}
		}
		if d := cmp.Diff([]string{"13:00:00 b-d2", "13:00:15 b-d1"}, got); d != "" {
			t.Errorf("planned at %s (-want +got):\n%s", now, d)
		}
	}
}
