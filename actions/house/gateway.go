package house

import "time"

// A Gateway stands between the broker and the devices behind it. While it works on one command it hears no other, and
// whoever keeps talking to it keeps it deaf.
type Gateway struct {
	Spacing time.Duration
	Heard   int // commands it took
	Missed  int // commands it lost because they came too soon

	last time.Time
}

// Hear reports whether a command at this instant gets through.
func (g *Gateway) Hear(at time.Time) bool {
	soon := !g.last.IsZero() && at.Sub(g.last) < g.Spacing
	g.last = at
	if soon {
		g.Missed++
		return false
	}
	g.Heard++
	return true
}
