package plan

import (
	"fmt"
	"testing"
	"time"

	"spillway/actions"
)

// BenchmarkRoom plans so many windows, one every eight hours, before each of which a battery and a tank make room.
func BenchmarkRoom(b *testing.B) {
	for _, n := range []int{1, 10, 20, 100, 1000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			p := roomy(proc{during: []string{"battery.power = auto", "tank.heat = on"}}, cellar("tank.heat = on", 45).Devices[0])
			var windows []actions.Window
			for i := range n {
				w := win(fmt.Sprintf("w%04d", i), "x", "13:00", "14:00")
				w.Start, w.End = w.Start.Add(time.Duration(i)*8*time.Hour), w.End.Add(time.Duration(i)*8*time.Hour)
				windows = append(windows, w)
			}
			in := Input{Premises: p, Windows: windows, Now: at("09:00"), Readings: readings(p, at("09:00"), "battery.level=80", "tank.warmth=50"), Standing: actions.NewStanding()}
			for b.Loop() {
				Make(in)
			}
		})
	}
}
