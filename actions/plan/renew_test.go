package plan

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"spillway/actions"
)

// lentUntil returns when the box ends what a step asks for.
func lentUntil(p *actions.Premises, s actions.Step) time.Time {
	lasts := p.Point(s.Point).Write.Lasts
	if lasts == 0 || s.Release {
		return time.Time{}
	}
	return actions.Earlier(s.At.Add(lasts), s.Until)
}

// lending makes the boxes of points end their values by themselves.
func lending(p *actions.Premises, lasts time.Duration, points ...string) *actions.Premises {
	for _, name := range points {
		p.Point(ref(name)).Write.Lasts = lasts
	}
	return p
}

// boosting holds the cylinder's boost, which lasts 30 minutes at most, for two hours.
func boosting() *actions.Premises {
	return procedures(lending(smallholding(), 30*time.Minute, "cylinder.boost"),
		proc{name: "surplus", rank: 10, during: []string{"cylinder.boost = on"}},
		proc{name: "mask", rank: 20, during: []string{"cylinder.boost = off"}},
		proc{name: "brief", rank: 10, during: []string{"cylinder.boost = on for 25m"}})
}

// lines lists steps with when the box may end them.
func (s *story) lines(t *testing.T, want ...string) *actions.Plan {
	t.Helper()
	p := s.plan()
	var got []string
	for _, x := range p.Steps {
		line := fmt.Sprintf("%s %s %s=%s", x.At.Format("15:04:05"), x.ID, x.Point, x.Value)
		if !x.Until.IsZero() {
			line += " until " + x.Until.Format("15:04:05")
		}
		got = append(got, line)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("steps (-want +got):\n%s", d)
	}
	return p
}

// What enables a setting is given back after it: its end at the box leaves each other point of the link its whole slot.
func TestLentLongerThanTheRestoreTakes(t *testing.T) {
	const confirm = 3 * time.Minute
	p := procedures(lending(smallholding(), 30*time.Minute, "barn_battery.mode"),
		proc{name: "surplus", rank: 10, during: []string{"barn_battery.mode = charge", "barn_battery.charge_power = 4000 W"}})
	l := p.Link("barn")
	l.Confirm = confirm
	s := begin(p, "12:00", []actions.Window{win("a", "surplus", "13:00", "14:00")})
	for _, x := range s.plan().Steps {
		if x.Point != ref("barn_battery.mode") || x.Release {
			continue
		}
		if least := at("14:00").Add(confirm); x.Until.Before(least) {
			t.Errorf("%s may end at the box at %s, and what it enables is given back by %s at the latest", x.ID, x.Until, least)
		}
		return
	}
	t.Error("the mode is never lent")
}

// Whatever else may come first, a box keeps a lead-in's value until the next command of its point has its turn.
func TestLentUntilTheNextCommandHasItsTurn(t *testing.T) {
	vent := ref("cylinder.vent")
	aired := proc{name: "surplus", leadIn: []string{"cylinder.boost = on from -20m for 20m", "cylinder.vent = open from -10m wait 90s"}}
	tests := []struct {
		name  string
		proc  proc
		until string
		doubt bool
	}{
		{"another lead-in is late", aired, "12:45", false},
		{"another lead-in was undone by its box", aired, "12:59", true},
		{"it is late itself", proc{name: "surplus", leadIn: []string{"cylinder.boost = on wait 90s"}, during: []string{"cylinder.boost = off"}}, "12:00", false},
		{"its return waits for what is let go elsewhere", proc{name: "surplus", leadIn: []string{"ice_bank.run = off from -20m for 20m"},
			during: []string{"van.current = 0 A"}}, "12:45", false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p := lending(smallholding(), 30*time.Minute, "cylinder.boost", "ice_bank.run")
			d := p.Device("cylinder")
			d.Points = append(d.Points, device(actions.Device{Name: "cylinder"}, pt{name: "vent", values: "open shut", normal: "shut"}).Points...)
			p.Device("ice_bank").Point("run").Normal = actions.Named("on")
			p.Link("yard").Confirm = 3 * time.Minute
			s := begin(procedures(p, tt.proc), "12:00", oneWindow()).until(tt.until)
			s.in.Now = at("12:59:50") // nobody was there meanwhile
			if tt.doubt {
				s.in.Standing.Apply(actions.Entry{Kind: actions.EntryDoubt, At: s.in.Now, Point: vent})
			}
			ends := map[actions.Ref]time.Time{}
			for r, st := range s.in.Standing.Points {
				ends[r] = st.Until
			}
			told := 0
			for _, x := range s.plan().Steps {
				if end := ends[x.Point]; !end.IsZero() && end.Before(x.At) {
					t.Errorf("the box ends %s at %s, before %s at %s", x.Point, end.Format(time.TimeOnly), x.ID, x.At.Format(time.TimeOnly))
				} else if !end.IsZero() && x.At.After(at("13:01")) {
					told++
				}
				ends[x.Point] = lentUntil(p, x)
			}
			if told == 0 {
				t.Errorf("nothing that is lent is told another value late:\n%v", short(s.plan().Steps, true))
			}
		})
	}
}

// A value that the box ends after half an hour is renewed when two fifths of that are over, as long as the hold is on, and
// the box may not end it before it is given back.
func TestRenewals(t *testing.T) {
	s := begin(boosting(), "12:00", []actions.Window{win("a", "surplus", "13:00", "14:30")})
	p := s.lines(t, "13:00:00 a-d1 cylinder.boost=on until 14:31:00", "13:12:00 a-d1-r cylinder.boost=on until 14:31:00",
		"13:24:00 a-d1-r-2 cylinder.boost=on until 14:31:00", "13:36:00 a-d1-r-3 cylinder.boost=on until 14:31:00",
		"13:48:00 a-d1-r-4 cylinder.boost=on until 14:31:00", "14:00:00 a-d1-r-5 cylinder.boost=on until 14:31:00",
		"14:12:00 a-d1-r-6 cylinder.boost=on until 14:31:00", "14:30:00 a-d1-end cylinder.boost=off")
	for _, x := range p.Steps[1:7] {
		if !x.Renews || x.Release || x.Phase != actions.PhaseDuring || x.Window != "a" || x.Hold != "a-d1" || x.From != x.Value {
			t.Errorf("%s is no renewal: %+v", x.ID, x)
		}
		if want := "Window a: renewal of “cylinder.boost = on”, which cylinder ends by itself after 30m"; x.Why != want {
			t.Errorf("why: %q, want %q", x.Why, want)
		}
	}
}

func TestRenewalsKeepTheirNames(t *testing.T) {
	s := begin(boosting(), "12:00", []actions.Window{win("a", "surplus", "13:00", "14:30")}).until("13:50")
	s.lines(t, "14:00:00 a-d1-r-5 cylinder.boost=on until 14:31:00", "14:12:00 a-d1-r-6 cylinder.boost=on until 14:31:00",
		"14:30:00 a-d1-end cylinder.boost=off")
}

// A hold that ends before the box would end its value needs no renewal.
func TestBriefHoldIsNotRenewed(t *testing.T) {
	s := begin(boosting(), "12:00", []actions.Window{win("a", "brief", "13:00", "14:30")})
	s.lines(t, "13:00:00 a-d1 cylinder.boost=on until 13:26:00", "13:25:00 a-d1-end cylinder.boost=off")
}

// What a window that is made longer holds is lent anew, also where the box was given an end after the old one.
func TestLongerWindowIsLentAnew(t *testing.T) {
	p := procedures(lending(smallholding(), 24*time.Hour, "cylinder.boost"), proc{name: "surplus", during: []string{"cylinder.boost = on"}})
	s := begin(p, "12:00", oneWindow()).until("13:30")
	s.lines(t, "14:00:00 a-d1-end cylinder.boost=off")
	s.in.Windows = []actions.Window{win("a", "surplus", "13:00", "15:00")}
	s.lines(t, "13:30:00 a-d1-r cylinder.boost=on until 15:01:00", "15:00:00 a-d1-end cylinder.boost=off")
}

// Where the same value is asked for by two windows in a row the point is told once, and lent across.
func TestTouchingHoldsAreOneStay(t *testing.T) {
	s := begin(boosting(), "12:00", []actions.Window{win("a", "surplus", "13:00", "13:30"), win("b", "surplus", "13:30", "14:00")})
	s.lines(t, "13:00:00 a-d1 cylinder.boost=on until 14:01:00", "13:12:00 a-d1-r cylinder.boost=on until 14:01:00",
		"13:24:00 a-d1-r-2 cylinder.boost=on until 14:01:00", "13:36:00 b-d1-r cylinder.boost=on until 14:01:00", "14:00:00 b-d1-end cylinder.boost=off")
}

// A stronger hold takes over, and what gives the point back to the weaker lends it anew.
func TestMaskedHoldIsNotRenewed(t *testing.T) {
	s := begin(boosting(), "12:00", []actions.Window{win("a", "surplus", "13:00", "15:00"), win("b", "mask", "13:10", "14:30")})
	s.lines(t, "13:00:00 a-d1 cylinder.boost=on until 15:01:00", "13:10:00 b-d1 cylinder.boost=off",
		"14:30:00 b-d1-end cylinder.boost=on until 15:01:00", "14:42:00 a-d1-r cylinder.boost=on until 15:01:00", "15:00:00 a-d1-end cylinder.boost=off")
}

// A renewal that failed is planned again after a pause, and its hold goes on.
func TestFailedRenewalIsPlannedAgain(t *testing.T) {
	s := begin(boosting(), "12:00", []actions.Window{win("a", "surplus", "13:00", "14:00")}).until("13:10")
	renewal := s.plan().Steps[0]
	for _, e := range []actions.Entry{
		{Kind: actions.EntryIntent, At: at("13:20"), Step: renewal, Tries: 1},
		{Kind: actions.EntrySent, At: at("13:20:01"), Step: renewal, State: actions.Failed},
		{Kind: actions.EntrySettled, At: at("13:20:02"), Step: renewal, State: actions.Failed},
	} {
		s.in.Standing.Apply(e)
	}
	s.in.Now = at("13:20:02")
	s.lines(t, "13:22:17 a-d1-r-2 cylinder.boost=on until 14:01:00", "13:34:17 a-d1-r-3 cylinder.boost=on until 14:01:00",
		"14:00:00 a-d1-end cylinder.boost=off")
}

// Where nobody knows when a value ends, because the program died before it heard what became of its command, it is
// renewed at once.
func TestUnknownEndIsRenewedAtOnce(t *testing.T) {
	s := begin(boosting(), "12:00", []actions.Window{win("a", "surplus", "13:00", "14:00")}).until("13:10")
	st := s.in.Standing.Points[ref("cylinder.boost")]
	st.Until = time.Time{}
	s.in.Standing.Points[ref("cylinder.boost")] = st
	s.lines(t, "13:10:00 a-d1-r cylinder.boost=on until 14:01:00", "13:22:00 a-d1-r-2 cylinder.boost=on until 14:01:00",
		"13:34:00 a-d1-r-3 cylinder.boost=on until 14:01:00", "14:00:00 a-d1-end cylinder.boost=off")
}

// A box that had the value by itself was lent nothing, and a hand ends renewals.
func TestNothingLentNothingRenewed(t *testing.T) {
	s := begin(boosting(), "13:10", []actions.Window{win("a", "surplus", "13:00", "14:00")}, "cylinder.boost=on")
	s.lines(t)
	s = begin(boosting(), "12:00", []actions.Window{win("a", "surplus", "13:00", "14:00")}).until("13:10")
	s.in.Standing.Apply(actions.Entry{Kind: actions.EntryHand, At: at("13:10"), Point: ref("cylinder.boost"), Value: actions.Named("off"), Holds: []string{"a"}})
	s.lines(t)
}

// A box that ends values within seconds does not make a plan of a fortnight's renewals.
func TestRenewalsFarAheadAreFew(t *testing.T) {
	p := procedures(lending(smallholding(), time.Minute, "cylinder.boost"), proc{name: "surplus", during: []string{"cylinder.boost = on"}})
	s := begin(p, "12:00", []actions.Window{win("a", "surplus", "13:00", "+1 13:00"), win("b", "surplus", "+3 13:00", "+4 13:00")})
	if n := len(s.plan().Steps); n > 4+2*120+2*mostRenewals {
		t.Errorf("%d steps", n)
	}
}

// Whatever is planned, a box that ends its values by themselves has at each instant what it would have if it did not.
func TestBoxesKeepWhatTheyAreLent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawScene(t, sceneOptions{ranks: 3, early: true})
		for i := range s.Premises.Devices {
			for k := range s.Premises.Devices[i].Points {
				if p := &s.Premises.Devices[i].Points[k]; rapid.Bool().Draw(t, "lent") {
					p.Write.Lasts = time.Duration(rapid.SampledFrom([]int{30, 45, 600}).Draw(t, "lasts")) * time.Minute
				}
			}
		}
		first := Make(s.Input)
		e := newExecutor(s)
		if len(first.Steps) == 0 {
			return
		}
		// Carried out up to some step, and planned again: the rest is the same.
		cut := rapid.IntRange(0, len(first.Steps)-1).Draw(t, "cut")
		e.run(s.Premises, first.Steps[:cut+1], first.Steps[cut].At)
		again := s.Input
		again.Now, again.Standing, again.Current = first.Steps[cut].At.Add(time.Second), e.standing.Clone(), first
		again.Readings = e.look(again.Now, s.Readings)
		second := Make(again)
		checkLent(t, s, append(slices.Clone(first.Steps[:cut+1]), second.Steps...))
		checkLent(t, s, first.Steps)
	})
}

func checkLent(t *rapid.T, s scene, steps []actions.Step) {
	ends := map[actions.Ref]time.Time{}
	names := map[string]bool{}
	for _, x := range steps {
		if names[x.ID] {
			t.Fatalf("two steps are called %s:\n%v", x.ID, short(steps, true))
		}
		names[x.ID] = true
		if end, lent := ends[x.Point]; lent && end.Before(x.At) {
			t.Fatalf("%s ended by itself at %s, before %s:\n%v", x.Point, end, x.ID, short(steps, true))
		}
		if x.Renews && x.Value != x.From {
			t.Fatalf("%s is a renewal of another value", x.ID)
		}
		delete(ends, x.Point)
		if until := lentUntil(s.Premises, x); !until.IsZero() {
			ends[x.Point] = until
		}
	}
}
