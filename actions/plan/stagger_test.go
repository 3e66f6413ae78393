package plan

import (
	"fmt"
	"testing"
	"time"

	"spillway/actions"
)

// A stagger spreads the start, the same for a premises and window every time, and evenly over many premises.
func TestStagger(t *testing.T) {
	p := surplus()
	p.Procedure("surplus").Stagger = 10 * time.Minute
	seen := map[time.Duration]int{}
	sum := time.Duration(0)
	const n = 500
	for i := range n {
		p.Identity = fmt.Sprintf("premises %d", i)
		first := begin(p, "12:00", oneWindow(), "van.plugged=yes").plan()
		again := begin(p, "12:01", oneWindow(), "van.plugged=yes").plan()
		var shift time.Duration
		for k, x := range first.Steps {
			if fmt.Sprint(x) != fmt.Sprint(again.Steps[k]) {
				t.Fatalf("another plan a minute later: %v, %v", x, again.Steps[k])
			}
			if x.ID == "a-d1" {
				shift = x.At.Sub(at("13:00"))
			}
		}
		if shift < 0 || shift >= 10*time.Minute {
			t.Fatalf("starts %s after the window's start", shift)
		}
		if w := first.Windows[0]; !w.Start.Equal(at("13:00")) || first.Steps[len(first.Steps)-1].At.Before(at("14:00")) {
			t.Fatalf("the window itself is not moved: %v", w.Window)
		}
		seen[shift/time.Minute]++
		sum += shift
	}
	if mean := sum / n; mean < 4*time.Minute || mean > 6*time.Minute || len(seen) != 10 {
		t.Errorf("not spread: mean %s, by minute %v", mean, seen)
	}
}

func TestStaggerOfAShortWindow(t *testing.T) {
	p := surplus()
	p.Procedure("surplus").Stagger = 10 * time.Hour
	w := []actions.Window{win("a", "surplus", "13:00", "13:10")}
	for i := range 50 {
		p.Identity = fmt.Sprint(i)
		for _, x := range begin(p, "12:00", w, "van.plugged=no").plan().Steps {
			if x.ID == "a-d1" && x.At.After(at("13:05")) {
				t.Errorf("starts at %s", x.At)
			}
		}
	}
}
