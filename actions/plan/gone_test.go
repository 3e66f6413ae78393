package plan

import (
	"testing"
	"time"

	"spillway/actions"
)

// What a window that is gone held is due back from the moment it was gone, however often the plan is made again: it waits for
// what other links let go of, but not anew each time.
func TestWhatIsGoneWaitsOnce(t *testing.T) {
	s := scene{truth: map[actions.Ref]actions.Value{ref("shed.power"): actions.Number(0), ref("van.current"): actions.Number(16)}}
	s.Input = Input{Premises: procedures(yard(8), proc{name: "x", during: []string{"shed.power = 3000 W", "van.current = 6 A"}}), Now: at("12:00"),
		Standing: actions.NewStanding(), Windows: []actions.Window{win("a", "x", "13:00", "14:00")}}
	e := newExecutor(s)
	e.run(s.Premises, Make(s.Input).Steps, at("13:30"))
	in := s.Input
	in.Windows, in.Standing = nil, e.standing // it was called off, and the shed's link is down
	for after := time.Duration(0); after <= 4*time.Minute; after += 20 * time.Second {
		in.Now = at("13:30").Add(after)
		in.Current = Make(in)
		for _, x := range in.Current.Steps {
			if !x.Due.Equal(at("13:30")) {
				t.Errorf("%s after it was gone, %s is due at %s", after, x.ID, x.Due.Format("15:04:05"))
			}
			if x.Point == ref("van.current") && x.At.After(at("13:30").Add(MostRebound)) && after < MostRebound {
				t.Errorf("%s after it was gone, %s goes at %s", after, x.ID, x.At.Format("15:04:05"))
			}
		}
	}
	in.Now = in.Now.Add(-time.Hour) // the clock was set back
	for _, x := range Make(in).Steps {
		if x.Due.After(in.Now) {
			t.Errorf("by a clock that was set back, %s is due at %s", x.ID, x.Due.Format("15:04:05"))
		}
	}
}
