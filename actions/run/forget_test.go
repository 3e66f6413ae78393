package run

import (
	"math/rand/v2"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/journal/journaltest"
)

// Where one window's hold ended and another's could not take over, that this failed is known until the other window is
// over, however long the first one is.
func TestFailureIsKnownWhileItsWindowIsOn(t *testing.T) {
	j, err := (&journaltest.Disk{}).Open()
	if err != nil {
		t.Fatal(err)
	}
	start := clock("2026-07-04 12:00")
	mode := ref("barn_battery.mode")
	p := drawPremises(rand.New(rand.NewPCG(1, 1)))
	charge := actions.Statement{Point: mode, Want: actions.Want{Value: actions.Named("charge")}}
	idle := actions.Statement{Point: mode, Want: actions.Want{Value: actions.Named("idle")}}
	p.Procedures = []actions.Procedure{{Name: "low", Rank: 1, During: []actions.Statement{charge}}, {Name: "high", Rank: 2, During: []actions.Statement{idle}}}
	step := actions.Step{ID: "high-d1-end", Window: "high", Phase: actions.PhaseRestore, At: start, Due: start, Start: start.Add(-time.Hour), Link: "barn", Point: mode,
		Value: actions.Named("charge"), Hold: "low-d1"}
	if err := j.Write(t.Context(), actions.Entry{Kind: actions.EntryNormal, At: start, Point: mode, Value: actions.Named("own_use")},
		actions.Entry{Kind: actions.EntryIntent, At: start, Step: step, Tries: 1}, actions.Entry{Kind: actions.EntrySent, At: start, Step: step},
		actions.Entry{Kind: actions.EntrySettled, At: start, Step: step, State: actions.Failed}); err != nil {
		t.Fatal(err)
	}
	m := NewMachine(Settings{Premises: p, Journal: j, Horizon: 48 * time.Hour, Watch: true})
	m.standing.Points = map[actions.Ref]actions.PointStanding{} // it was given back
	low := actions.Window{ID: "low", UID: "low", Procedure: "low", Start: start.Add(-time.Hour), End: start.Add(3 * time.Hour)}
	known := func(in time.Duration) bool {
		m.Handle(Tick{Wall: start.Add(in), Up: in}, Polled{Feed: "f", Good: true, Windows: []actions.Window{low}, Events: 1})
		_, there := m.standing.Steps[step.ID]
		return there
	}
	for in := time.Minute; in < 3*time.Hour; in += 10 * time.Minute {
		if !known(in) {
			t.Fatalf("forgotten after %s", in)
		}
	}
	for in := 3 * time.Hour; in < 6*time.Hour; in += 10 * time.Minute {
		known(in)
	}
	if known(6 * time.Hour) {
		t.Error("it is never forgotten")
	}
}
