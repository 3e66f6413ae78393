package config

import (
	"time"

	"spillway/actions"
	"spillway/actions/statement"
)

// mostLeast bounds min_on, min_off and min_hold: what a device last did is remembered for an hour after its window.
const mostLeast = time.Hour

// leastTime reads one of a device's least times.
func (s section) leastTime(name string) time.Duration {
	d := s.duration(name, 0)
	if d > mostLeast {
		s.fail(name, "is too long: %s at most", statement.FormatDuration(mostLeast))
		return 0
	}
	return d
}

// leastOn finds statements that would draw for less than their device's min_on, and so are never begun.
func (k *checker) leastOn(where string, s *actions.Statement) {
	d, p := k.p.Device(s.Point.Device), k.p.Point(s.Point)
	if d == nil || p == nil || s.For <= 0 || s.For >= d.MinOn {
		return
	}
	most, _ := k.p.DrawW(d, p, s.Want.Value)
	if s.Want.Auto {
		most, _ = k.p.MaxDrawW(d, p)
	}
	if normal, _ := k.p.DrawW(d, p, p.Normal); most > 0 && normal <= 0 {
		k.add(Amiss, where, "hold it for longer, or shorten min_on", "%q: is never begun: %s stays on for %s at the least (min_on)", s.Text, d.Name,
			statement.FormatDuration(d.MinOn))
	}
}

// leastTimes finds least times that bear on nothing, because no point of the device draws.
func (k *checker) leastTimes(d *actions.Device) {
	if d.MinOn <= 0 && d.MinOff <= 0 && d.MinHold <= 0 {
		return
	}
	for i := range d.Points {
		if _, draws := k.p.DrawW(d, &d.Points[i], actions.Value{}); draws {
			return
		}
	}
	k.add(Note, "devices."+d.Name, "write power at the device, or draws at the point", "its least times do nothing: nothing says what its points draw")
}
