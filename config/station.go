package config

import (
	"slices"
	"strings"

	"spillway/actions"
)

// stationPoints are those that a device on an OCPP link has by itself.
func stationPoints() []string { return []string{"charging", "current", "energy", "plugged", "power"} }

// stationPoint returns one of them as the driver knows it, or nil.
func stationPoint(device, name string) *actions.Point {
	p := &actions.Point{Ref: actions.Ref{Device: device, Point: name}, Tolerance: actions.Tolerance{Percent: 1}}
	switch name {
	case "current":
		p.Unit = "A"
		p.Write = &actions.Address{Path: name, Lasts: chargerLasts}
	case "charging":
		p.Values = []actions.NamedValue{{Name: "off", Wire: "off"}, {Name: "on", Wire: "on"}}
		p.Write = &actions.Address{Path: name}
	case "plugged":
		p.Values = []actions.NamedValue{{Name: "no", Wire: "no"}, {Name: "yes", Wire: "yes"}}
	case "power":
		p.Unit = "W"
	case "energy":
		p.Unit = "Wh"
	default:
		return nil
	}
	if len(p.Values) > 0 {
		p.Tolerance = actions.Tolerance{}
	}
	p.Read = &actions.Address{Path: name}
	return p
}

// stationPoint gives a configured point on an OCPP link what it has by itself. Its address may be left out; where it is
// written it names one of the points that the charger has.
func (s section) stationPoint(p *actions.Point, write, read *actions.Address) (w, r *actions.Address) {
	name := p.Ref.Point
	for key, a := range map[string]*actions.Address{"write": write, "read": read} {
		if a != nil && a.Path != "" && !slices.Contains(stationPoints(), a.Path) {
			s.fail(key, "is none of those that exist on an ocpp link: %s", strings.Join(stationPoints(), ", "))
			return write, read
		}
		if a != nil && a.Path != "" {
			name = a.Path
		}
	}
	own := stationPoint(p.Ref.Device, name)
	if own == nil {
		s.fail("", "is none of those that exist on an ocpp link: %s", strings.Join(stationPoints(), ", "))
		return &actions.Address{}, &actions.Address{} // that it has neither is no second fault
	}
	if write != nil && own.Write == nil {
		s.fail("write", "is not to be had: %s can only be read", name)
	}
	for _, key := range []string{"values", "unit"} {
		if s.given(key) {
			s.fail(key, "of a point on an ocpp link is known: leave it out")
		}
	}
	if write != nil && write.Lasts > 0 && own.Write != nil {
		own.Write.Lasts = write.Lasts
	}
	p.Values, p.Unit = own.Values, own.Unit
	return own.Write, own.Read
}

// stationRange gives the current of a vehicle's charger the range that the vehicle charges within, and 0, which pauses it:
// the end of the range is what a charger without a limit reads as.
func (s section) stationRange(d *actions.Device) {
	for i := range d.Points {
		p := &d.Points[i]
		if d.Kind != actions.Vehicle || p.HasRange || p.Write == nil || p.Write.Path != "current" {
			continue
		}
		p.Min, p.Max, p.HasRange = 0, d.CurrentMaxA, true
		if p.Normal.Known && p.Normal.Number > p.Max {
			s.fail("current_range", "ends below %s A, the normal of %s: write the same for both", plain(p.Normal.Number), p.Ref.Point)
		}
	}
}

// stationWatts tells the current of a charger what 1 A is in W: some chargers take limits in W only.
func stationWatts(d *actions.Device, perA float64) {
	for i := range d.Points {
		p := &d.Points[i]
		for _, a := range []*actions.Address{p.Write, p.Read} {
			if a != nil && a.Path == "current" {
				a.WPerA = perA
			}
		}
	}
}

// withStation adds the points of an OCPP link that are not configured.
func withStation(points []actions.Point, device string) []actions.Point {
	for _, name := range stationPoints() {
		has := func(p actions.Point) bool { return p.Ref.Point == name }
		if !slices.ContainsFunc(points, has) {
			points = append(points, *stationPoint(device, name))
		}
	}
	return points
}
