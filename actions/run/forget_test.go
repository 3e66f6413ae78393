package run

import (
	"math"
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

// What a vehicle with a configured need took in one window of a day is not needed again in the next, and is in the next
// night: how much it took is known by the steps of the first.
func TestConfiguredNeedOfADay(t *testing.T) {
	j, err := (&journaltest.Disk{}).Open()
	if err != nil {
		t.Fatal(err)
	}
	start := clock("2026-07-04 12:00")
	current := ref("van.current")
	p := drawPremises(rand.New(rand.NewPCG(1, 1)))
	p.Supply = actions.Supply{LimitW: 20000, VoltageV: 230, Phases: 1}
	van := p.Device("van")
	van.NeedWh, van.NeedPoint, van.Level = 10000, "", ""
	p.Procedures = []actions.Procedure{{Name: "x", During: []actions.Statement{{Point: current, Want: actions.Want{Value: actions.Number(32)}}}}}
	begin := actions.Step{ID: "first-d1", Window: "first", Phase: actions.PhaseDuring, At: start, Due: start, Start: start, Link: van.Link, Point: current,
		Value: actions.Number(32), Hold: "first-d1"}
	end := begin
	end.ID, end.Phase, end.At, end.Due, end.Value, end.Release = "first-d1-end", actions.PhaseRestore, start.Add(time.Hour), start.Add(time.Hour), actions.Number(0), true
	entries := []actions.Entry{{Kind: actions.EntryNormal, At: start, Point: current, Value: actions.Number(0)}}
	for _, s := range []actions.Step{begin, end} {
		entries = append(entries, actions.Entry{Kind: actions.EntryIntent, At: s.At, Step: s, Tries: 1}, actions.Entry{Kind: actions.EntrySent, At: s.At, Step: s},
			actions.Entry{Kind: actions.EntrySettled, At: s.At, Step: s, State: actions.Confirmed, ReadBack: s.Value})
	}
	if err := j.Write(t.Context(), entries...); err != nil {
		t.Fatal(err)
	}
	m := NewMachine(Settings{Premises: p, Journal: j, Horizon: 48 * time.Hour, Watch: true})
	next := actions.Window{ID: "next", UID: "next", Procedure: "x", Start: start.Add(30 * time.Hour), End: start.Add(32 * time.Hour)}
	for in := time.Hour + time.Minute; in < 15*time.Hour; in += 10 * time.Minute {
		m.Handle(Tick{Wall: start.Add(in), Up: in}, Polled{Feed: "f", Good: true, Windows: []actions.Window{next}, Events: 1})
		want := 2.64 // 10 kWh less an hour of 32 A at 230 V
		switch {
		case in > 13*time.Hour && in < 13*time.Hour+20*time.Minute:
			continue // about now
		case in > 13*time.Hour:
			want = 10
		}
		w := m.plan.Window("next")
		if w == nil || len(w.Energy) != 1 || math.Abs(w.Energy[0].KWh-want) > 0.01 {
			t.Fatalf("after %s the next window gives %+v, want %v kWh", in, w, want)
		}
	}
}
