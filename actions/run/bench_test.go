package run

import (
	"fmt"
	"testing"
	"time"
)

// BenchmarkDispatch sends steps in real time, those of all links at the same instants, twice a second, and tells how late
// they were. Its ns/op say nothing: the time between the instants is in them.
func BenchmarkDispatch(b *testing.B) {
	for _, c := range []struct{ links, steps int }{{1, 10}, {10, 100}, {100, 1000}, {100, 10_000}} {
		b.Run(fmt.Sprintf("links=%d/steps=%d", c.links, c.steps), func(b *testing.B) {
			var late []time.Duration
			for range b.N {
				f := newFleet(c.links, 1)
				f.procedures(1, c.links)
				begin := time.Now().Add(2 * time.Second)
				for i := range c.steps / c.links / 2 {
					at := begin.Add(time.Duration(i) * time.Second)
					f.window(0, at, at.Add(time.Second/2), true)
				}
				late = f.run(b)
			}
			b.ReportMetric(float64(quantile(late, 0.5).Microseconds())/1000, "ms-late-p50")
			b.ReportMetric(float64(quantile(late, 0.99).Microseconds())/1000, "ms-late-p99")
			b.ReportMetric(float64(quantile(late, 1).Microseconds())/1000, "ms-late-max")
		})
	}
}
