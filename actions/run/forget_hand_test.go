package run

import (
	"math/rand/v2"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/journal/journaltest"
)

// What a hand set stays where its window is stood down and taken up again, and is forgotten when the window is over.
func TestHandOutlastsStandingDown(t *testing.T) {
	start := clock("2026-07-04 12:00")
	mode := ref("barn_battery.mode")
	for _, c := range []struct {
		name string
		down Event
	}{
		{"the window", StandDown{Window: "w"}},
		{"everything", GiveBack{}},
		{"its device", GiveBack{Device: "barn_battery"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			j, err := (&journaltest.Disk{}).Open()
			if err != nil {
				t.Fatal(err)
			}
			step := actions.Step{ID: "w-d1", Window: "w", Phase: actions.PhaseDuring, At: start, Due: start, Start: start, Link: "barn", Point: mode,
				Value: actions.Named("charge"), Hold: "w-d1"}
			if err := j.Write(t.Context(), actions.Entry{Kind: actions.EntryNormal, At: start, Point: mode, Value: actions.Named("own_use")},
				actions.Entry{Kind: actions.EntryIntent, At: start, Step: step, Tries: 1}, actions.Entry{Kind: actions.EntrySent, At: start, Step: step},
				actions.Entry{Kind: actions.EntrySettled, At: start, Step: step, State: actions.Confirmed},
				actions.Entry{Kind: actions.EntryHand, At: start, Point: mode, Value: actions.Named("idle"), Holds: []string{"w"}}); err != nil {
				t.Fatal(err)
			}
			p := drawPremises(rand.New(rand.NewPCG(1, 1)))
			p.Procedures = []actions.Procedure{{Name: "p", During: []actions.Statement{{Point: mode, Want: actions.Want{Value: step.Value}}}}}
			w := actions.Window{ID: "w", UID: "w", Procedure: "p", Start: start, End: start.Add(2 * time.Hour)}
			m := NewMachine(Settings{Premises: p, Journal: j, Horizon: 24 * time.Hour, Watch: true})
			polled := Polled{Feed: "f", Good: true, Windows: []actions.Window{w}, Events: 1}
			at := func(in time.Duration, events ...Event) {
				m.Handle(Tick{Wall: start.Add(in), Up: in}, append([]Event{polled}, events...)...)
			}
			at(time.Minute)
			at(2*time.Minute, c.down)
			for in := 3 * time.Minute; in < 30*time.Minute; in += time.Minute {
				at(in)
			}
			at(30*time.Minute, TakeUp{})
			for _, s := range m.plan.Steps {
				t.Errorf("%s = %s is planned over what a hand set", s.Point, s.Value)
			}
			if claims := m.plan.Window("w").Claims; len(claims) != 1 || !claims[0].Off {
				t.Errorf("the window holds %+v", claims)
			}
			for in := 2 * time.Hour; in < 2*time.Hour+10*time.Minute; in += time.Minute {
				at(in)
			}
			if st, known := m.standing.Points[mode]; known {
				t.Errorf("after the window it is still remembered: %+v", st)
			}
		})
	}
}
