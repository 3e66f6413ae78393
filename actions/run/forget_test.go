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

// What a window never got to is settled when the window is over, also while something else of it is still owed.
func TestUnsentIsSettledBesideWhatIsOwed(t *testing.T) {
	j, err := (&journaltest.Disk{}).Open()
	if err != nil {
		t.Fatal(err)
	}
	start := clock("2026-07-04 12:00")
	mode, boost := ref("barn_battery.mode"), ref("cylinder.boost")
	held := actions.Step{ID: "w-d1", Window: "w", Phase: actions.PhaseDuring, At: start, Due: start, Start: start, Link: "barn", Point: mode,
		Value: actions.Named("charge"), Hold: "w-d1"}
	unsent := actions.Step{ID: "w-d2", Window: "w", Phase: actions.PhaseDuring, At: start, Due: start, Start: start, Link: "boiler_house", Point: boost,
		Value: actions.Named("on"), Hold: "w-d2"}
	entries := []actions.Entry{{Kind: actions.EntryNormal, At: start, Point: mode, Value: actions.Named("own_use")}}
	for _, s := range []actions.Step{held, unsent} {
		entries = append(entries, actions.Entry{Kind: actions.EntryIntent, At: start, Step: s, Tries: 1})
	}
	entries = append(entries, actions.Entry{Kind: actions.EntrySent, At: start, Step: held}, actions.Entry{Kind: actions.EntryUnsent, At: start, Step: unsent},
		actions.Entry{Kind: actions.EntrySettled, At: start, Step: held, State: actions.Confirmed, ReadBack: held.Value})
	if err := j.Write(t.Context(), entries...); err != nil {
		t.Fatal(err)
	}
	p := drawPremises(rand.New(rand.NewPCG(1, 1)))
	m := NewMachine(Settings{Premises: p, Journal: j, Horizon: 48 * time.Hour, Watch: true})
	for in := time.Minute; in < 3*time.Hour; in += 10 * time.Minute {
		m.Handle(Tick{Wall: start.Add(in), Up: in}, Polled{Feed: "f", Good: true})
	}
	if st := m.standing.Steps[unsent.ID]; st.State != actions.Skipped {
		t.Errorf("what was never sent is %+v", st)
	}
	if st := m.standing.Steps[held.ID]; st.State != actions.Confirmed || !m.standing.Points[mode].Owed {
		t.Errorf("what is owed is %+v", st)
	}
}
