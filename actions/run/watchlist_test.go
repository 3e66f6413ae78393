package run

import (
	"errors"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/house"
	"spillway/actions/journal/journaltest"
	"spillway/actions/link"
)

// watchFor lets a machine that only watches look at its points for d, with a window an hour ahead, and returns the keys of
// its troubles. answer is asked for every reading.
func watchFor(t *testing.T, d time.Duration, answer func(ref actions.Ref, up time.Duration) error) (seen []string, m *Machine) {
	t.Helper()
	j, err := (&journaltest.Disk{}).Open()
	if err != nil {
		t.Fatal(err)
	}
	p := drawPremises(rand.New(rand.NewPCG(1, 1)))
	point := func(s string) actions.Statement {
		return actions.Statement{Point: ref(s), Want: actions.Want{Value: actions.Named("on")}}
	}
	p.Procedures = []actions.Procedure{{Name: "all", During: []actions.Statement{
		point("cylinder.boost"), point("cylinder.heating"), point("van.control"), point("barn_battery.mode")}}}
	m = NewMachine(Settings{Premises: p, Journal: j, Horizon: 48 * time.Hour, Readiness: 3 * time.Hour, Watch: true, Feeds: []string{"f"}})
	start := clock("2026-07-04 12:00")
	w := actions.Window{ID: "w", UID: "w", Procedure: "all", Start: start.Add(time.Hour), End: start.Add(2 * time.Hour)}
	events := []Event{Polled{Feed: "f", Good: true, Windows: []actions.Window{w}, Events: 1}}
	known := map[string]bool{}
	for up := time.Duration(0); up < d; {
		now := Tick{Wall: start.Add(up), Up: up}
		effects, wait := m.Handle(now, events...)
		events = nil
		for _, e := range effects {
			if r, ok := e.(Read); ok {
				done := ReadDone{Ref: r.Point.Ref, ID: r.ID, Value: actions.Named("off"), At: now.Wall, Err: answer(r.Point.Ref, up)}
				events = append(events, done)
			}
		}
		for key := range m.troubles {
			if !known[key] {
				known[key] = true
				seen = append(seen, key)
			}
		}
		if len(events) == 0 {
			up += max(wait, time.Second)
		} else {
			up += time.Millisecond
		}
	}
	return seen, m
}

// A box that says nothing is one trouble within a minute, whatever the number of its points, and is in order again when it
// answers. A point that alone says nothing is a trouble of its own.
func TestSilentBoxIsOneTrouble(t *testing.T) {
	for _, class := range []link.Class{link.Unreachable, link.Unknown, link.NotYet} {
		silent := &link.Error{Class: class, What: "GET cylinder"}
		back := 20 * time.Minute
		seen, m := watchFor(t, 40*time.Minute, func(ref actions.Ref, up time.Duration) error {
			if ref.Device == house.Cylinder && up >= 6*time.Minute && up < back {
				return silent
			}
			return nil
		})
		if len(seen) != 1 || seen[0] != "link "+house.LinkBoilerRoom {
			t.Errorf("%s: troubles %v", class, seen)
		}
		if len(m.troubles) > 0 {
			t.Errorf("%s: not in order again: %v", class, m.troubles)
		}
	}
	for name, err := range map[string]error{
		"no answer for one point": &link.Error{Class: link.NotYet, What: "cylinder/heating"},
		"an answer of no use":     &link.Error{Class: link.Rubbish, What: "cylinder/heating"},
		"an error of its own":     errors.New("odd"),
	} {
		seen, _ := watchFor(t, 20*time.Minute, func(ref actions.Ref, up time.Duration) error {
			if ref.String() == "cylinder.heating" && up >= 6*time.Minute {
				return err
			}
			return nil
		})
		if strings.Join(seen, ", ") != "read cylinder.heating" {
			t.Errorf("%s: troubles %v", name, seen)
		}
	}
}
