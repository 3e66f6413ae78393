package run

import (
	"os"
	"runtime"
	"strconv"
	"testing"
	"time"
)

// TestScale runs a fleet in real time and tells how late its commands were: SPILLWAY_SCALE says how many links. Each has
// ten points; ten times as many windows lie in the horizon, of which a tenth begin and end within the minute that is
// looked at.
func TestScale(t *testing.T) {
	links, err := strconv.Atoi(os.Getenv("SPILLWAY_SCALE"))
	if err != nil {
		t.Skip("SPILLWAY_SCALE does not say how many links: this takes minutes")
	}
	const lookedAt = time.Minute
	lead := time.Duration(5+links/50) * time.Second // for the first plan
	f := newFleet(links, 10)
	f.procedures(10*links, 1)
	begin := time.Now().Add(lead).Truncate(time.Second)
	for i := range links {
		at := begin.Add(time.Duration(i) * lookedAt / 2 / time.Duration(links))
		f.window(i, at, at.Add(lookedAt/2), true)
	}
	for i := links; i < 10*links; i++ {
		at := begin.Add(24*time.Hour + time.Duration(i)*13*24*time.Hour/time.Duration(10*links))
		f.window(i, at, at.Add(time.Hour), false)
	}
	late := f.run(t)
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	t.Logf("%d links, %d points, %d windows: %d steps, late by %v (half), %v (99 of 100), %v (most); %d MB of memory from the system",
		links, 10*links, len(f.windows), len(late), quantile(late, 0.5), quantile(late, 0.99), quantile(late, 1), m.Sys>>20)
}
