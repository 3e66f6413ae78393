package actions

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

func TestLines(t *testing.T) {
	noon := time.Date(2026, 5, 2, 12, 0, 0, 0, time.UTC)
	step := func(id string, after time.Duration) Step { return Step{ID: id, At: noon.Add(after)} }
	logged := func(id string, after time.Duration, state StepState, settled time.Duration) StepStanding {
		return StepStanding{Step: step(id, after), State: state, Settled: noon.Add(settled)}
	}
	for _, c := range []struct {
		name string
		plan []Step
		log  []StepStanding
		want string
	}{
		{"planned alone", []Step{step("a", 0)}, nil, "a 0s planned"},
		{"logged alone", nil, []StepStanding{logged("a", 0, Confirmed, 1)}, "a 0s confirmed"},
		{"sent, due moved by the plan", []Step{step("a", time.Minute)}, []StepStanding{logged("a", 0, Sent, 0)}, "a 1m0s sent"},
		{"settled after the plan was made", []Step{step("a", 0)}, []StepStanding{logged("a", 0, Confirmed, time.Second)}, "a 0s confirmed"},
		{"planned again", []Step{step("a", time.Hour)}, []StepStanding{logged("a", 0, Failed, -time.Second)}, "a 1h0m0s planned"},
		{"run twice", nil, []StepStanding{logged("a", -time.Hour, Failed, 0), logged("a", 0, Confirmed, 0)}, "a 0s confirmed"},
		{"by due time, then id", []Step{step("c", 0), step("b", time.Second)}, []StepStanding{logged("a", 0, Skipped, 1)}, "a 0s skipped, c 0s planned, b 1s planned"},
	} {
		var got []string
		for _, l := range (&Plan{At: noon, Steps: c.plan}).Lines(c.log) {
			got = append(got, fmt.Sprintf("%s %v %s", l.Step.ID, l.Step.At.Sub(noon), l.State))
		}
		if s := strings.Join(got, ", "); s != c.want {
			t.Errorf("%s: %s, want %s", c.name, s, c.want)
		}
	}
}
