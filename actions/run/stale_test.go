package run

import (
	"math/rand/v2"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/journal/journaltest"
)

// A point that reads as its normal counts as given back only where no command to it may still arrive: a gateway shows what
// it was told last, and a reading from before the last command says nothing of what that does.
func TestOldReadingGivesNothingBack(t *testing.T) {
	start := clock("2026-07-04 12:00")
	mode := ref("barn_battery.mode")
	hold := actions.Step{ID: "w-d1", Window: "w", Phase: actions.PhaseDuring, At: start.Add(-time.Hour), Due: start.Add(-time.Hour), Start: start.Add(-time.Hour),
		Link: "barn", Point: mode, Value: actions.Named("charge"), Hold: "w-d1"}
	normal := actions.Entry{Kind: actions.EntryNormal, Point: mode, Value: actions.Named("own_use")}
	intent := actions.Entry{Kind: actions.EntryIntent, Step: hold, Tries: 1}
	sent := actions.Entry{Kind: actions.EntrySent, Step: hold}
	refused := actions.Entry{Kind: actions.EntrySent, Step: hold, State: actions.Failed}
	confirmed := actions.Entry{Kind: actions.EntrySettled, Step: hold, State: actions.Confirmed, ReadBack: hold.Value}
	doubt := actions.Entry{Kind: actions.EntryDoubt, Point: mode}
	for _, c := range []struct {
		name    string
		entries []actions.Entry
		sends   bool
	}{
		{"confirmed", []actions.Entry{normal, intent, sent, confirmed}, false},
		{"sent and not confirmed", []actions.Entry{normal, intent, sent}, true},
		{"intended when the program died", []actions.Entry{normal, intent}, true},
		{"refused", []actions.Entry{normal, intent, refused}, false},
		{"reset, and not sent again", []actions.Entry{normal, intent, sent, confirmed, doubt}, false},
		{"reset, sent again and not confirmed", []actions.Entry{normal, intent, sent, confirmed, doubt, intent, sent}, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			j, err := (&journaltest.Disk{}).Open()
			if err != nil {
				t.Fatal(err)
			}
			for i := range c.entries {
				c.entries[i].At = start.Add(-time.Minute)
			}
			if err := j.Write(t.Context(), c.entries...); err != nil {
				t.Fatal(err)
			}
			p := drawPremises(rand.New(rand.NewPCG(1, 1)))
			p.Procedures = []actions.Procedure{{Name: "p", During: []actions.Statement{{Point: mode, Want: actions.Want{Value: hold.Value}}}}}
			m := NewMachine(Settings{Premises: p, Journal: j, Horizon: 24 * time.Hour})
			wrote := false
			var events []Event
			for in := time.Duration(0); in < 2*time.Minute; in += 5 * time.Second {
				effects, _ := m.Handle(Tick{Wall: start.Add(in), Up: in}, events...)
				events = nil
				for _, e := range effects {
					switch e := e.(type) {
					case Read:
						events = append(events, ReadDone{Ref: e.Point.Ref, ID: e.ID, Value: actions.Named("own_use"), Session: 1, At: start.Add(in)})
					case Write:
						wrote = wrote || e.Point.Ref == mode && e.Value == actions.Named("own_use")
						events = append(events, WriteDone{Link: e.Link, Step: e.Step, Try: e.Try, Tick: Tick{Wall: start.Add(in), Up: in}})
					}
				}
			}
			if wrote != c.sends {
				t.Errorf("a command was sent: %t, want %t", wrote, c.sends)
			}
			if m.standing.Points[mode].Owed {
				t.Error("it is owed still")
			}
		})
	}
}
