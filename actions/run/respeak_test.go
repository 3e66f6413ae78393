package run

import (
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/journal"
)

// DESIGN 5.3: the spacing of a link lasts as long as it lasts, over a clock that is set forward and over a restart after that.
func TestSpacingOverAClockSetForward(t *testing.T) {
	f := newFleet(1, 1)
	l := &f.premises.Links[0]
	l.Spacing = 15 * time.Second
	j, err := journal.Open(t.TempDir(), journal.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = j.Close() })
	sent := clock("2026-11-25 12:00")
	step := actions.Step{ID: "s", Link: l.Name, Point: f.premises.Devices[0].Points[0].Ref, Value: actions.Number(1)}
	err = j.Write(t.Context(), actions.Entry{Kind: actions.EntryIntent, At: sent, Step: step}, actions.Entry{Kind: actions.EntrySent, At: sent, Step: step},
		actions.Entry{Kind: actions.EntrySettled, At: sent, Step: step, State: actions.Confirmed})
	if err != nil {
		t.Fatal(err)
	}
	start := func() *Machine {
		return NewMachine(Settings{Premises: f.premises, Journal: j, Horizon: time.Hour, Watch: true})
	}
	left := func(m *Machine, want time.Duration) {
		t.Helper()
		if got := m.quiet(m.lanes[0]); got != want {
			t.Errorf("%v of the spacing are left, want %v", got, want)
		}
	}
	m := start()
	m.Handle(Tick{Wall: sent.Add(2 * time.Second), Up: 0})
	left(m, 13*time.Second)
	set := 17 * time.Minute
	m.Handle(Tick{Wall: sent.Add(3*time.Second + set), Up: time.Second})
	left(m, 12*time.Second)
	m = start() // killed
	m.Handle(Tick{Wall: sent.Add(5*time.Second + set), Up: time.Hour})
	left(m, 10*time.Second)
	m.Handle(Tick{Wall: sent.Add(15*time.Second + set), Up: time.Hour + 10*time.Second})
	left(m, 0)
}
