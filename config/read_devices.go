package config

import (
	"strings"
	"time"

	"spillway/actions"
)

// devices reads every device with its points, by name.
func (l *loader) devices(top section, p *actions.Premises) []actions.Device {
	var all []actions.Device
	worth := &worths{}
	top.each("devices", func(name string, s section) {
		d := actions.Device{
			Name:    name,
			Link:    s.deviceLink(),
			Kind:    s.kind(),
			Enabled: s.truth("enabled"),
			Phase:   s.phase(p.Supply.Phases),
			Worth:   worth.read(s),
			MinOn:   s.leastTime("min_on"),
			MinOff:  s.leastTime("min_off"),
			MinHold: s.leastTime("min_hold"),
			Ready:   s.clock("ready"),
		}
		if name == "window" {
			s.fail("", "is a name that \"skip window\" has taken: call the device something else")
		}
		link := p.Link(d.Link)
		d.Points = s.points(name, link)
		s.figures(&d)
		if link != nil && link.Protocol == "ocpp" {
			s.stationRange(&d)
			stationWatts(&d, p.WPerA(&d))
		}
		s.levels(&d)
		s.hygieneLevel(&d)
		s.misfits(d.Kind)
		all = append(all, d)
	})
	worth.check()
	worth.fill(all)
	return all
}

func (s section) deviceLink() string {
	v := s.required("link")
	if v != "" && !s.known(s.node("link"), join(s.path, "link"), "link", v, s.l.all.links) {
		return ""
	}
	return v
}

func (s section) kind() actions.Kind {
	if s.required("kind") == "" {
		return ""
	}
	return actions.Kind(s.choice("kind", "battery", "vehicle", "tank", "load"))
}

// phase reads 1 to 3, or "all", which is 0.
func (s section) phase(phases int) int {
	n := s.get("phase")
	if v, ok := n.string(); ok && v == "all" {
		return 0
	}
	x, ok := n.number()
	switch {
	case !ok || x != 1 && x != 2 && x != 3:
		s.fail("phase", "is 1, 2, 3 or \"all\"")
	case int(x) > phases && phases == 1:
		s.fail("phase", "is not there: supply.phases is 1")
	default:
		return int(x)
	}
	return 0
}

// clock reads a local time of day, HH:MM.
func (s section) clock(name string) string {
	v := s.text(name)
	if v == "" {
		return ""
	}
	if _, err := time.Parse("15:04", v); err != nil || len(v) != 5 {
		s.fail(name, "is no time of day: write for instance \"07:30\"")
		return ""
	}
	return v
}

// figures reads what the sums need.
func (s section) figures(d *actions.Device) {
	d.PowerW = s.positive("power", "W")
	d.DischargeW = s.positive("discharge_power", "W")
	d.CapacityWh = s.positive("capacity", "Wh")
	d.VolumeL = s.positive("volume", "L")
	d.Efficiency = s.number("efficiency", 0, 1)
	s.failUnless("efficiency", d.Efficiency > 0, "is a share above 0 and up to 1")
	d.COP = s.number("cop", 0, 20)
	s.failUnless("cop", d.COP > 0, "is above zero")
	d.FloorPercent = s.percent("floor")
	d.MakeRoom = s.choice("make_room", "auto", "off") == "auto"
	if d.Kind == actions.Vehicle {
		d.CurrentMinA, d.CurrentMaxA = s.currents()
	}
	s.hygiene(d)
	s.target(d)
	s.reserve(d)
}

// failUnless complains of a zero that lies within the bounds of a key and yet means nothing.
func (s section) failUnless(name string, ok bool, what string) {
	if n := s.node(name); n != nil && !ok {
		if x, isNumber := n.number(); isNumber && x == 0 {
			s.fail(name, "%s", what)
		}
	}
}

// currents reads the range that a vehicle charges within.
func (s section) currents() (least, most float64) {
	const name = "current_range"
	n := s.get(name)
	if n.shape != array || len(n.items) != 2 {
		s.fail(name, "is a list of two: write [\"6 A\", \"32 A\"]")
		return 6, 32
	}
	least, ok := s.quantityOf(n.items[0], join(s.path, name), "A")
	most, ok2 := s.quantityOf(n.items[1], join(s.path, name), "A")
	switch {
	case !ok || !ok2:
	case least < 6:
		s.fail(name, "begins below 6 A, with which no vehicle charges (IEC 61851-1)")
	case most < least:
		s.fail(name, "ends below its begin")
	case least != float64(int(least)) || most != float64(int(most)):
		s.fail(name, "is in whole amperes")
	case most > 80:
		s.fail(name, "ends above 80 A, more than the signal can say (IEC 61851-1)")
	}
	return least, most
}

// misfits notes figures that mean nothing for a kind of device.
func (s section) misfits(kind actions.Kind) {
	if kind == "" {
		return
	}
	for _, name := range s.names() {
		t := s.l.keys.at(splitPath(join(s.path, name)))
		if k := t.anyKey(); k != nil && !k.belongs(string(kind)) {
			s.note(name, "means nothing for a %s: it belongs to %s", kind, strings.ReplaceAll(k.only, " ", ", "))
		}
	}
}
