package run

import (
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"
)

// BenchmarkDispatch sends steps in real time, those of all links at the same instants, one a second, and tells how late
// they were. Its ns/op say nothing: the time between the instants is in them.
func BenchmarkDispatch(b *testing.B) {
	for _, c := range []struct{ links, steps int }{{1, 10}, {10, 100}, {100, 1000}, {100, 10_000}} {
		b.Run(fmt.Sprintf("links=%d/steps=%d", c.links, c.steps), func(b *testing.B) {
			var late []time.Duration
			for range b.N {
				f := newFleet(c.links, 1)
				f.procedures(1, c.links)
				begin := time.Now().Add(5 * time.Second) // for the first plan
				for i := range c.steps / c.links / 2 {
					at := begin.Add(time.Duration(2*i) * time.Second)
					f.window(0, at, at.Add(time.Second), true)
				}
				late = f.run(b)
			}
			reportLate(b, late)
		})
	}
}

// BenchmarkTimer is the least that a machine can do: a timer for each of a hundred steps at each of ten instants, and nothing
// done when it comes.
func BenchmarkTimer(b *testing.B) {
	for range b.N {
		var mu sync.Mutex
		var late []time.Duration
		begin := time.Now().Add(time.Second / 2)
		for i := range 10 {
			at := begin.Add(time.Duration(i) * time.Second / 2)
			var wg sync.WaitGroup
			for range 100 {
				wg.Go(func() {
					<-time.NewTimer(time.Until(at)).C
					by := time.Since(at)
					mu.Lock()
					defer mu.Unlock()
					late = append(late, by)
				})
			}
			wg.Wait()
		}
		slices.Sort(late)
		reportLate(b, late)
	}
}

func reportLate(b *testing.B, late []time.Duration) {
	b.ReportMetric(float64(quantile(late, 0.5).Microseconds())/1000, "ms-late-p50")
	b.ReportMetric(float64(quantile(late, 0.99).Microseconds())/1000, "ms-late-p99")
	b.ReportMetric(float64(quantile(late, 1).Microseconds())/1000, "ms-late-max")
}
