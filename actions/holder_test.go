package actions

import (
	"testing"
	"time"
)

// A night window holds a battery idle from 0 to 8 h; a surplus at a higher rank has it charge from 2 to 3 h. Whoever holds
// the point is told by its value, also where the step that brought the value was the surplus's last.
func TestHolder(t *testing.T) {
	at := func(h float64) time.Time {
		return time.Date(2026, 5, 2, 0, 0, 0, 0, time.UTC).Add(time.Duration(h * float64(time.Hour)))
	}
	mode := Ref{Device: "battery", Point: "mode"}
	idle, charge, normal := Named("idle"), Named("charge"), Named("own_use")
	premises := &Premises{Procedures: []Procedure{{Name: "night", Rank: 5}, {Name: "surplus", Rank: 10}}}
	window := func(id, procedure string, from, to float64, v Value) PlannedWindow {
		return PlannedWindow{Window: Window{ID: id, UID: id, Procedure: procedure, Start: at(from), End: at(to)},
			Claims: []Claim{{ID: id + "-mode", Point: mode, From: at(from), To: at(to), Value: v}}}
	}
	plan := func() *Plan {
		return &Plan{
			Windows: []PlannedWindow{window("n", "night", 0, 8, idle), window("s", "surplus", 2, 3, charge)},
			Steps: []Step{
				{ID: "1", Window: "s", Phase: PhaseDuring, At: at(2), Point: mode, Value: charge, Hold: "s-mode"},
				{ID: "2", Window: "s", Phase: PhaseRestore, At: at(3), Point: mode, Value: idle, Hold: "n-mode"},
				{ID: "3", Window: "n", Phase: PhaseRestore, At: at(8), Point: mode, Value: normal, Release: true},
			},
		}
	}
	for _, c := range []struct {
		name   string
		now    float64
		st     PointStanding
		change func(*Plan)
		done   string // a step that is over
		want   string
		since  float64
		until  float64
		to     string // the window whose hold takes the point over
	}{
		{name: "night alone", now: 1, st: PointStanding{Window: "n", Value: idle, Since: at(0)}, want: "n", until: 2, to: "s"},
		{name: "surplus on top", now: 2.5, st: PointStanding{Window: "s", Value: charge, Since: at(0)}, done: "1", want: "s", since: 2, until: 3, to: "n"},
		{name: "back to the night's value", now: 4, st: PointStanding{Window: "s", Value: idle, Since: at(0)}, done: "2", want: "n", until: 8, to: "n"},
		{name: "the surplus has begun and is not sent yet", now: 2.1, st: PointStanding{Window: "n", Value: idle, Since: at(0)}, want: "n", until: 2, to: "s"},
		{name: "no hold explains the value", now: 9, st: PointStanding{Window: "s", Value: charge, Since: at(2)}, done: "2", want: "s", since: 2, until: 8, to: "n"},
		{name: "a lower hold of the same value", now: 4, st: PointStanding{Window: "gone", Value: idle, Since: at(0)}, done: "2", want: "m", until: 8, to: "n",
			change: func(p *Plan) { p.Windows = append(p.Windows, window("m", "surplus", 0, 8, idle)) }},
		{name: "guarded off", now: 4, st: PointStanding{Window: "s", Value: idle, Since: at(0)}, done: "2", want: "s", until: 8, to: "n",
			change: func(p *Plan) { p.Windows[0].Claims[0].Off = true }},
		{name: "called off", now: 4, st: PointStanding{Window: "s", Value: idle, Since: at(0)}, done: "2", want: "s", until: 8, to: "n",
			change: func(p *Plan) { p.Windows[0].State = Cancelled }},
		{name: "PRIORITY decides between equal ranks", now: 4, st: PointStanding{Window: "s", Value: idle, Since: at(0)}, done: "2", want: "m", until: 8, to: "n",
			change: func(p *Plan) {
				p.Windows = append(p.Windows, window("m", "night", 0, 8, idle))
				p.Windows[2].Priority = 1
			}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p, standing := plan(), NewStanding()
			if c.change != nil {
				c.change(p)
			}
			for _, s := range p.Steps {
				if s.ID <= c.done {
					standing.Steps[s.ID] = StepStanding{Step: s, State: Confirmed}
				}
			}
			if got, since := p.Holder(mode, c.st, premises, at(c.now)); got != c.want || !since.Equal(at(c.since)) {
				t.Errorf("held by %q since %s, want %q", got, since, c.want)
			}
			s, ok := p.LetsGo(mode, c.want, standing)
			if !ok || !s.At.Equal(at(c.until)) {
				t.Errorf("lets go by %+v, want %s", s, at(c.until))
			}
			if got := p.HoldWindow(s); got != c.to {
				t.Errorf("the next value is that of %q, want %q", got, c.to)
			}
		})
	}
	if _, ok := plan().LetsGo(Ref{Device: "van", Point: "current"}, "n", NewStanding()); ok {
		t.Error("something lets go of a point that no step is on")
	}
}
