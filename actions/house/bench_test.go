package house

import (
	"testing"
	"time"
)

// BenchmarkDay is one simulated day of the premises; simulations live through thousands of them a minute.
func BenchmarkDay(b *testing.B) {
	s := newSite(b, 1)
	for b.Loop() {
		s.Advance(s.Now().Add(24 * time.Hour))
		s.Drain()
	}
}
