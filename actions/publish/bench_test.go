package publish_test

import (
	"fmt"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/publish"
)

// planOf returns a plan of n windows of six steps, one a day.
func planOf(n int) *actions.Plan {
	one := plan(at(12, 0, 0))
	p := &actions.Plan{At: one.At}
	for i := range n {
		shift := time.Duration(i) * 24 * time.Hour
		w := one.Windows[0]
		w.ID, w.UID = fmt.Sprintf("w%d", i), fmt.Sprintf("%d@calendar.example", i)
		w.Start, w.End, w.LeadIn, w.Done = w.Start.Add(shift), w.End.Add(shift), w.LeadIn.Add(shift), w.Done.Add(shift)
		p.Windows = append(p.Windows, w)
		for _, s := range one.Steps {
			s.ID, s.Window, s.At = fmt.Sprintf("%s-%d", s.ID, i), w.ID, s.At.Add(shift)
			p.Steps = append(p.Steps, s)
		}
	}
	return p
}

// BenchmarkUpdate brings the published calendar up to date, in both details: where the plan is as it was, which renders
// nothing, and where one window has another title.
func BenchmarkUpdate(b *testing.B) {
	for _, n := range []int{1, 10, 100, 1000} {
		for _, changes := range []bool{false, true} {
			b.Run(fmt.Sprintf("windows=%d/changes=%t", n, changes), func(b *testing.B) {
				f, err := publish.Open(b.Context(), &memory{}, london(b))
				if err != nil {
					b.Fatal(err)
				}
				p, pr := planOf(n), premises(b)
				title := p.Windows[0].Title
				for i := 0; b.Loop(); i++ {
					if changes {
						p.Windows[0].Title = fmt.Sprint(title, i)
					}
					changed, err := f.Update(b.Context(), p, nil, pr, publish.Options{Now: at(12, 0, 0)})
					if err != nil || changed != (changes || i == 0) {
						b.Fatal(changed, err)
					}
				}
			})
		}
	}
}
