package page_test

import (
	"fmt"
	"net/http"
	"testing"
	"time"

	"spillway/actions"
)

// BenchmarkPage renders the status page with n windows ahead and as many lines in the switching log.
func BenchmarkPage(b *testing.B) {
	for _, n := range []int{1, 10, 100, 1000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			w := newWorld(b)
			ahead, step, line := w.snap.Plan.Windows[1], w.snap.Plan.Steps[2], w.log[0]
			for i := range n {
				shift := time.Duration(i+1) * 2 * time.Hour
				more := ahead
				more.ID = fmt.Sprintf("more%d", i)
				more.Start, more.End, more.LeadIn, more.Done = more.Start.Add(shift), more.End.Add(shift), more.LeadIn.Add(shift), more.Done.Add(shift)
				w.snap.Plan.Windows = append(w.snap.Plan.Windows, more)
				s := step
				s.ID, s.Window, s.At = fmt.Sprintf("more-step%d", i), more.ID, s.At.Add(shift)
				w.snap.Plan.Steps = append(w.snap.Plan.Steps, s)
				l := line
				l.Step.ID, l.State = fmt.Sprintf("more-line%d", i), actions.Confirmed
				w.log = append(w.log, l)
			}
			p := w.open(b, nil)
			b.ReportAllocs()
			for b.Loop() {
				if res := do(p, request(http.MethodGet, "/", "")); res.Code != http.StatusOK {
					b.Fatal(res.Code)
				}
			}
		})
	}
}
