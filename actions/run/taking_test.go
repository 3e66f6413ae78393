package run

import (
	"math/rand/v2"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/journal/journaltest"
)

// A window whose lead-in needs no command, since another window holds the point at the same value, has its hold on all the
// same: one poll without it does not end it.
func TestHoldWithoutStepIsOn(t *testing.T) {
	j, err := (&journaltest.Disk{}).Open()
	if err != nil {
		t.Fatal(err)
	}
	limit := ref("house_battery.charge_limit")
	p := drawPremises(rand.New(rand.NewPCG(1, 1)))
	p.Procedures = []actions.Procedure{{Name: "p", LeadIn: []actions.Statement{
		{Point: limit, Want: actions.Want{Value: actions.Number(55)}, From: -47 * time.Minute, HasFrom: true}}}}
	start := clock("2026-07-04 12:00")
	sent := start.Add(-47 * time.Minute)
	step := actions.Step{ID: "first-l1", Window: "first", Phase: actions.PhaseLeadIn, At: sent, Due: sent, Start: start, Link: "house", Point: limit,
		Value: actions.Number(55), Hold: "first-l1"}
	if err := j.Write(t.Context(), actions.Entry{Kind: actions.EntryNormal, At: sent, Point: limit, Value: actions.Number(80)},
		actions.Entry{Kind: actions.EntryIntent, At: sent, Step: step, Tries: 1}, actions.Entry{Kind: actions.EntrySent, At: sent, Step: step},
		actions.Entry{Kind: actions.EntrySettled, At: sent, Step: step, State: actions.Confirmed, ReadBack: actions.Number(55)}); err != nil {
		t.Fatal(err)
	}
	m := NewMachine(Settings{Premises: p, Journal: j, Horizon: 48 * time.Hour, Watch: true})
	window := func(id string, from, to time.Duration) actions.Window {
		return actions.Window{ID: id, UID: id, Procedure: "p", Start: start.Add(from), End: start.Add(to)}
	}
	both := []actions.Window{window("first", 0, time.Hour), window("second", time.Hour, 2*time.Hour)}
	m.readings[limit] = actions.Reading{Value: actions.Number(55), At: start}
	at := func(in time.Duration, list ...actions.Window) {
		m.Handle(Tick{Wall: start.Add(in), Up: in}, Polled{Feed: "f", Good: true, Windows: list, Events: len(list)})
	}
	has := func() bool {
		for _, w := range m.taken.all() {
			if w.ID == "second" {
				return true
			}
		}
		return false
	}
	at(50*time.Minute, both...)
	if w := m.plan.Window("second"); w == nil || len(w.Claims) != 1 || !w.Claims[0].From.Equal(start.Add(13*time.Minute)) {
		t.Fatalf("the second window is planned as %+v", w)
	}
	at(51*time.Minute, both[0])
	if !has() {
		t.Error("one poll ends a hold that is on")
	}
	at(52*time.Minute, both[0])
	if has() {
		t.Error("two polls do not end it")
	}
}
