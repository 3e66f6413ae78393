package house

import (
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/plan"
)

// The story as the planner plans it, each step carried out on the premises at its time: no gateway loses one, the fuse
// holds, and everything is at its normal two minutes after the night rate.
func TestPlannedStoryFitsThePremises(t *testing.T) {
	for seed := range uint64(5) {
		s := newSite(t, seed)
		p := planStory(t, s, ConfigOptions{})
		for _, step := range p.Steps {
			v := step.Value
			if !v.Known {
				v = s.Normals()[step.Point]
			}
			if a := s.Write(step.At, step.Point, v); !a.OK() {
				t.Errorf("%s %s = %s: %+v", step.At.Format(time.TimeOnly), step.Point, v, a)
			}
		}
		end, err := StoryEnd()
		if err != nil {
			t.Fatal(err)
		}
		s.Advance(end)
		for _, e := range s.Ledger().Of("", Command) {
			if e.Outcome != Accepted {
				t.Error(e)
			}
		}
		if len(s.Excess()) > 0 {
			t.Errorf("above the fuse: %v", s.Excess())
		}
		if len(s.Astray()) > 0 {
			t.Errorf("astray: %v", s.Astray())
		}
		if gain := s.Snapshot().Level[BarnBattery]; gain < 60 {
			t.Errorf("the barn battery is at %v %%", gain)
		}
		if t.Failed() {
			for _, step := range p.Steps {
				t.Logf("%s %-8s %s = %s (%s)", step.At.In(s.zone).Format(time.TimeOnly), step.Phase, step.Point, step.Value, step.Why)
			}
			break
		}
	}
}

// planStory plans the story's night as it looks at its beginning.
func planStory(t *testing.T, s *Site, o ConfigOptions) *actions.Plan {
	t.Helper()
	c := load(t, ConfigText(testAddresses(), o))
	events, err := StoryEvents()
	if err != nil {
		t.Fatal(err)
	}
	readings := actions.Readings{}
	for _, d := range c.Premises.Devices {
		for _, point := range d.Points {
			v, a := s.Read(s.Now(), point.Ref)
			if !a.OK() {
				t.Fatalf("%s: %+v", point.Ref, a)
			}
			readings[point.Ref] = actions.Reading{Value: v, At: s.Now()}
		}
	}
	var windows []actions.Window
	for i, procedure := range []string{"night_rate", "surplus"} {
		e := events[i]
		windows = append(windows, actions.Window{
			ID: actions.WindowID(e.UID, time.Time{}), UID: e.UID, Procedure: procedure, Title: e.Title, Start: e.Start, End: e.End,
		})
	}
	p := plan.Make(plan.Input{
		Premises: &c.Premises, Windows: windows, Readings: readings, Standing: actions.NewStanding(), Now: s.Now(),
	})
	for _, w := range p.Windows {
		for _, problem := range w.Problems {
			t.Errorf("%s: %s", w.Title, problem)
		}
	}
	return p
}
