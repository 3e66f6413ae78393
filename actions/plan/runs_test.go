package plan

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"spillway/actions"
)

// The runs that are worth most, against every pattern of running and resting in a small number of slots.
func TestRunsAgainstEveryPattern(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 7).Draw(t, "slots")
		at, like, must := []float64{0}, make([]float64, n), make([]int, n)
		for i := range n {
			at = append(at, at[i]+float64(rapid.IntRange(1, 3).Draw(t, "hours")))
			like[i] = float64(rapid.IntRange(-3, 5).Draw(t, "like"))
			must[i] = rapid.SampledFrom([]int{0, 0, 0, 1, -1}).Draw(t, "must")
		}
		c := cadence{on: float64(rapid.IntRange(0, 5).Draw(t, "on")), off: float64(rapid.IntRange(0, 5).Draw(t, "off")), after: rapid.Bool().Draw(t, "after"),
			running: rapid.Bool().Draw(t, "running"), since: float64(rapid.IntRange(0, 6).Draw(t, "since"))}
		list, worth, ok := c.runs(at, func(i, j int) (w float64) {
			for k := i; k < j; k++ {
				if w += like[k]; must[k] < 0 {
					return math.Inf(-1)
				}
			}
			return w
		}, func(i int) float64 {
			if must[i] > 0 {
				return math.Inf(-1)
			}
			return 0
		})
		best := math.Inf(-1)
		for pattern := range 1 << n {
			w := 0.0
			for i := range n {
				on := pattern>>i&1 == 1
				if on {
					w += like[i]
				}
				if on && must[i] < 0 || !on && must[i] > 0 {
					w = math.Inf(-1)
				}
			}
			if w > best && plainCadence(c, at, pattern) {
				best = w
			}
		}
		if math.IsInf(best, -1) {
			if ok && !c.running {
				t.Fatalf("found %v where nothing keeps the least times", list)
			}
			return // what runs goes on as long as it can
		}
		if !ok || math.Abs(worth-best) > 1e-6 {
			t.Fatalf("got %v (%v), want %v: %+v at %v, like %v, must %v", worth, list, best, c, at, like, must)
		}
	})
}

// plainCadence reports whether a pattern keeps the least times.
func plainCadence(c cadence, at []float64, pattern int) bool {
	on, began := c.running, -c.since
	for i := range at[1:] {
		if now := pattern>>i&1 == 1; now != on {
			if on && at[i]-began < c.on || !on && at[i]-began < c.off {
				return false
			}
			on, began = now, at[i]
		}
	}
	end := at[len(at)-1] - began
	return on && end >= c.on || !on && (end >= c.off || !c.after)
}

// drawLeastAutoScene is a scene of auto in which devices ask for least times.
func drawLeastAutoScene(t *rapid.T, mixed bool) scene {
	s := drawAutoScene(t, mixed)
	for i := range s.Premises.Devices {
		d := &s.Premises.Devices[i]
		minutes := func(name string, most int) time.Duration {
			return time.Duration(rapid.IntRange(0, most).Draw(t, name)) * time.Minute
		}
		d.MinOn, d.MinOff, d.MinHold = minutes("min on", 40), minutes("min off", 30), minutes("min hold", 20)
	}
	return s
}

// What auto sets keeps the least times and the limit, at once.
func TestSharingKeepsLeastTimes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawLeastAutoScene(t, true)
		p := Make(s.Input)
		if bad := shortCycles(s, p.Steps, false); len(bad) > 0 {
			t.Fatalf("%v\n%s", bad, dump(p))
		}
		if explicitFits(p) {
			underTheLimit(t, p)
		}
	})
}

// However often the plan is made anew while levels move as they may, what is sent keeps the least times, the limit is kept
// and everything is given back.
func TestSharingKeepsLeastTimesOften(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawLeastAutoScene(t, false)
		e := newExecutor(s)
		in := s.Input
		var sent []actions.Step
		for in.Now.Before(s.Now.Add(9 * time.Hour)) {
			in.Standing = e.standing.Clone()
			plan := Make(in)
			if explicitFits(plan) {
				underTheLimit(t, plan)
			}
			next := in.Now.Add(time.Duration(rapid.IntRange(1, 3000).Draw(t, "seconds")) * time.Second)
			for _, x := range plan.Steps {
				if !x.At.After(next) {
					sent = append(sent, x)
				}
			}
			e.run(s.Premises, plan.Steps, next)
			in.Current, in.Now = plan, next
			in.Readings = levelsAt(s, plan, next)
			s.Readings = in.Readings
		}
		if bad := shortCycles(s, sent, true); len(bad) > 0 {
			t.Fatalf("%v\n%v", bad, short(sent, true))
		}
		for r, v := range s.truth {
			if e.values[r] != v || e.standing.Points[r].Owed {
				t.Errorf("%s is %s in the end, its normal is %s", r, e.values[r], v)
			}
		}
	})
}
