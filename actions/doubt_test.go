package actions

import (
	"testing"
	"time"
)

// What is in doubt before it was ever confirmed, or since it ended by itself, has not been sent once more after a reset: a box
// that starts anew afterwards is not taken for a hand.
func TestDoubt(t *testing.T) {
	point := Ref{Device: "house_battery", Point: "charge_limit"}
	step := Step{ID: "w-l1", Window: "w", Point: point, Value: Number(100), Hold: "w-l1"}
	doubt := Entry{Kind: EntryDoubt, Point: point}
	ended := Entry{Kind: EntryDoubt, Point: point, Until: time.Unix(1, 0)}
	intent := Entry{Kind: EntryIntent, Step: step, Tries: 1}
	confirmed := Entry{Kind: EntrySettled, Step: step, State: Confirmed}
	for _, c := range []struct {
		name    string
		entries []Entry
		resent  bool
	}{
		{"before it was confirmed", []Entry{intent, doubt, intent, confirmed}, false},
		{"after it was confirmed", []Entry{intent, confirmed, doubt, intent, confirmed}, true},
		{"both", []Entry{intent, doubt, intent, confirmed, doubt}, true},
		{"after it ended by itself", []Entry{intent, confirmed, ended, intent, confirmed}, false},
		{"after it ended, and a reset", []Entry{intent, confirmed, ended, intent, confirmed, doubt}, true},
		{"after a reset, and it ended", []Entry{intent, confirmed, doubt, intent, confirmed, ended}, true},
	} {
		s := NewStanding()
		for _, e := range c.entries {
			s.Apply(e)
		}
		if got := s.Points[point].Resent; got != c.resent {
			t.Errorf("%s: sent once more: %v", c.name, got)
		}
	}
}
