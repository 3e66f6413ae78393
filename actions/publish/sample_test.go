package publish_test

import (
	"context"
	"sync"
	"testing"
	"time"

	"spillway/actions"
)

// london is the zone of the sample. Its clocks are an hour before UTC on the day of the sample.
func london(t testing.TB) *time.Location {
	t.Helper()
	z, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// at returns the instant of a time of day in London on Saturday 2 May 2026.
func at(hour, minute, second int) time.Time {
	return time.Date(2026, 5, 2, hour-1, minute, second, 0, time.UTC)
}

func ref(s string) actions.Ref {
	r, err := actions.ParseRef(s)
	if err != nil {
		panic(err)
	}
	return r
}

func premises(t testing.TB) *actions.Premises {
	return &actions.Premises{
		Zone:   london(t),
		Supply: actions.Supply{LimitW: 13800, VoltageV: 230, Phases: 1},
		Devices: []actions.Device{
			{Name: "barn_battery", Kind: actions.Battery, Points: []actions.Point{
				{Ref: ref("barn_battery.charge_power"), Unit: "W"}, {Ref: ref("barn_battery.mode")},
			}},
			{Name: "cylinder", Kind: actions.Tank, Points: []actions.Point{{Ref: ref("cylinder.boost")}}},
			{Name: "van", Kind: actions.Vehicle, Points: []actions.Point{{Ref: ref("van.current"), Unit: "A"}}},
		},
	}
}

func step(id string, phase actions.Phase, due time.Time, point string, v actions.Value, release bool) actions.Step {
	return actions.Step{ID: id, Window: "w1", Phase: phase, At: due, Link: "barn", Point: ref(point), Value: v, Release: release, Why: "as configured"}
}

// plan returns the plan of one window, as made at noon, with the steps that are still ahead at now.
func plan(now time.Time) *actions.Plan {
	p := &actions.Plan{At: now, Windows: []actions.PlannedWindow{{
		Window: actions.Window{ID: "w1", UID: "one@calendar.example", Procedure: "surplus", Title: "Free power; barn, van", Start: at(13, 0, 0), End: at(14, 0, 0)},
		State:  actions.Far, LeadIn: at(12, 58, 45), Done: at(14, 0, 30), PeakKW: 11.24, LimitKW: 13.8,
		Energy: []actions.Energy{{Device: "barn_battery", KWh: 4.96}, {Device: "cylinder", KWh: 0.46}, {Device: "van", KWh: 0}},
	}}}
	switch {
	case !now.Before(at(14, 0, 0)):
		p.Windows[0].State = actions.Completed
	case !now.Before(at(13, 0, 0)):
		p.Windows[0].State = actions.Active
	case !now.Before(at(12, 58, 45)):
		p.Windows[0].State = actions.Near
	}
	for _, s := range steps() {
		if !s.At.Before(now) {
			p.Steps = append(p.Steps, s)
		}
	}
	return p
}

func steps() []actions.Step {
	return []actions.Step{
		step("s1", actions.PhaseLeadIn, at(12, 58, 45), "barn_battery.charge_power", actions.Number(5000), false),
		step("s2", actions.PhaseDuring, at(13, 0, 0), "barn_battery.mode", actions.Named("charge"), false),
		step("s3", actions.PhaseDuring, at(13, 0, 0), "cylinder.boost", actions.Named("on"), false),
		step("s4", actions.PhaseRestore, at(13, 25, 0), "cylinder.boost", actions.Named("off"), true),
		step("s5", actions.PhaseRestore, at(14, 0, 0), "barn_battery.mode", actions.Named("own_use"), true),
		step("s6", actions.PhaseRestore, at(14, 0, 15), "barn_battery.charge_power", actions.Value{}, true),
	}
}

// done returns the log of the steps up to now, each confirmed four seconds after it was due.
func done(now time.Time) []actions.StepStanding {
	var log []actions.StepStanding
	for _, s := range steps() {
		if s.At.Before(now) {
			log = append(log, actions.StepStanding{Step: s, State: actions.Confirmed, Tries: 1, Sent: s.At.Add(time.Second), Settled: s.At.Add(4 * time.Second), ReadBack: s.Value})
		}
	}
	return log
}

// memory is a store that can be made to fail.
type memory struct {
	mu   sync.Mutex
	m    map[string][]byte
	fail error
}

func (s *memory) Get(_ context.Context, key string) ([]byte, bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	b, ok := s.m[key]
	return b, ok, nil
}

func (s *memory) Put(_ context.Context, key string, value []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.fail != nil {
		return s.fail
	}
	if s.m == nil {
		s.m = map[string][]byte{}
	}
	s.m[key] = value
	return nil
}
