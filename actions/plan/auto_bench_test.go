package plan

import (
	"cmp"
	"fmt"
	"math/rand"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"spillway/actions"
)

// twoHours is `auto` on five devices of every kind in a window of two hours, beside loads that come and go.
func twoHours() instance {
	return instance{phases: 3, limit: 5.75, slots: 4, loads: []float64{1.2, 2.0}, loadFor: []int{1, 3}, devices: []sharer{
		{kind: actions.Battery, kw: 5, kwh: 8, phase: 1, slots: 4},
		{kind: actions.Tank, kw: 3, kwh: 4.2, phase: 2, slots: 4},
		{kind: actions.Load, kw: 2.2, phase: 3, slots: 3},
		{kind: actions.Vehicle, amperes: 16, kwh: 14, slots: 4},
		{kind: actions.Vehicle, amperes: 32, kwh: 9, phase: 3, slots: 2},
	}}
}

// Planning with five devices that share is to be faster than GLPK solves the same program; .ci/sharing has both.
func BenchmarkAuto(b *testing.B) {
	in := twoHours().input()
	for b.Loop() {
		Make(in)
	}
}

// BenchmarkAutoAgainstGLPK plans and solves the same random sharings of five devices in two hours, and prints how much of
// the time that GLPK's solver takes, as a process of its own, the whole plan takes, for the slowest of them. It fails where
// that is more than all of it. Of several runs the quickest counts, for both: the others were disturbed.
func BenchmarkAutoAgainstGLPK(b *testing.B) {
	glpsol := os.Getenv("SPILLWAY_GLPSOL")
	if glpsol == "" {
		b.Skip("SPILLWAY_GLPSOL does not name GLPK's solver: .ci/sharing does")
	}
	seed, _ := strconv.ParseInt(cmp.Or(os.Getenv("SPILLWAY_SEED"), "1"), 10, 64)
	r := rand.New(rand.NewSource(seed))
	list := []instance{twoHours()}
	for len(list) < 20 {
		if in := drawInstance(r); len(in.devices) == 5 && in.slots == 4 {
			list = append(list, in)
		}
	}
	dir := b.TempDir()
	ours, theirs := make([]time.Duration, len(list)), make([]time.Duration, len(list))
	for b.Loop() {
		for i, x := range list {
			model, in := filepath.Join(dir, fmt.Sprint(i)), x.input()
			if err := os.WriteFile(model, []byte(x.program()), 0o600); err != nil {
				b.Fatal(err)
			}
			begin := time.Now()
			Make(in)
			ours[i] = least(ours[i], time.Since(begin))
			begin = time.Now()
			if text, err := exec.Command(glpsol, "--lp", model, "--tmlim", "5", "-o", model+".out").CombinedOutput(); err != nil {
				b.Fatalf("%v\n%s", err, text)
			}
			theirs[i] = least(theirs[i], time.Since(begin))
		}
	}
	worst, all := 0.0, 0.0
	for i := range list {
		ratio := float64(ours[i]) / float64(theirs[i])
		worst, all = max(worst, ratio), all+ratio/float64(len(list))
		if ratio > 1 {
			b.Errorf("seed %d: planning sharing %d takes %.2f times as long as GLPK's solver: %+v", seed, i, ratio, list[i])
		}
	}
	b.ReportMetric(worst, "worst-plan/glpsol")
	b.ReportMetric(all, "mean-plan/glpsol")
}

func least(a, b time.Duration) time.Duration {
	if a == 0 {
		return b
	}
	return min(a, b)
}

// With very many devices that share, the search is cut short: what it costs stays bounded, and the plan says so.
func BenchmarkAutoMany(b *testing.B) {
	for _, n := range []int{5, 10, 20, 50, 100, 200} {
		for _, kind := range []string{"batteries", "switches", "vehicles", "mixed"} {
			b.Run(fmt.Sprintf("%s=%d", kind, n), func(b *testing.B) {
				in, cut := crowd(n, kind).input(), 0.0
				for b.Loop() {
					if strings.Contains(strings.Join(Make(in).Windows[0].Problems, " "), "cut short") {
						cut++
					}
				}
				b.ReportMetric(cut/float64(b.N), "cut")
			})
		}
	}
}

// crowd is n devices that share a supply too small for all.
func crowd(n int, kind string) instance {
	r := rand.New(rand.NewSource(int64(n)))
	in := instance{phases: 3, limit: 0.7 * float64(n), slots: 4, loads: []float64{1.2, 2.0}, loadFor: []int{1, 3}}
	kinds := map[string][]actions.Kind{"batteries": {actions.Battery}, "switches": {actions.Tank}, "vehicles": {actions.Vehicle},
		"mixed": {actions.Battery, actions.Tank, actions.Load, actions.Vehicle}}[kind]
	for i := range n {
		in.devices = append(in.devices, sharer{kind: kinds[i%len(kinds)], kw: 1 + float64(r.Intn(600))/100, kwh: 2 + float64(r.Intn(1000))/100,
			amperes: 16 + r.Intn(17), phase: r.Intn(4), slots: 4 - r.Intn(2)})
	}
	return in
}
