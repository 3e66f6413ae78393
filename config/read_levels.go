package config

import (
	"strings"
	"time"

	"spillway/actions"
	"spillway/actions/statement"
)

// percent reads a percentage: bare, or with its sign between quotes.
func (s section) percent(name string) float64 {
	n := s.get(name)
	if n == nil {
		return 0
	}
	x, ok := n.number()
	if v, isText := n.string(); !ok && isText {
		q, err := statement.ParseQuantity(v)
		if err == nil {
			x, err = q.In("%")
		}
		ok = err == nil
	}
	switch {
	case !ok:
		s.fail(name, "is a percentage: write %s = 20", name)
	case x < 0 || x > 100:
		s.fail(name, "is out of bounds: 0 to 100 %%")
	default:
		return x
	}
	return 0
}

func (s section) hygiene(d *actions.Device) {
	h, given := s.sub("hygiene")
	if !given {
		if s.given("hygiene") {
			s.fail("hygiene", "is a table: write { reach = \"60 °C\", every = \"7d\" }")
		}
		return
	}
	for _, name := range []string{"every", "reach"} {
		if !h.given(name) {
			h.required(name)
		}
	}
	every := h.duration("every", time.Hour)
	reach, _ := h.quantity("reach", "°C")
	if d.Kind == actions.Tank { // else it is said to mean nothing
		d.Hygiene.Every, d.Hygiene.ReachC = every, reach
	}
}

// hygieneLevel complains of a tank whose temperature nobody reads.
func (s section) hygieneLevel(d *actions.Device) {
	if d.Hygiene.Every > 0 && d.Level == "" {
		s.fail("hygiene", "is watched by the tank's level: write level too, the point that reads its temperature")
	}
}

// target reads the level at which a device is full: percent, or °C of a tank.
func (s section) target(d *actions.Device) {
	d.HasTarget = s.given("target")
	switch {
	case !d.HasTarget:
	case d.Kind == actions.Tank:
		d.Target = s.temperature("target")
	default:
		d.Target = s.percent("target")
		if d.Target <= d.FloorPercent && d.Target > 0 {
			s.fail("target", "is not above floor")
		}
	}
}

func (s section) reserve(d *actions.Device) {
	d.HasReserve = s.given("reserve")
	switch {
	case !d.HasReserve:
	case d.Kind == actions.Tank:
		d.Reserve = s.temperature("reserve")
	default:
		d.Reserve = s.percent("reserve")
	}
	if full, known := d.TargetLevel(); d.HasReserve && known && d.Reserve > full {
		s.fail("reserve", "is above target")
	}
}

// temperature reads what water in a tank may have.
func (s section) temperature(name string) float64 {
	x, ok := s.quantity(name, "°C")
	if ok && (x < 0 || x > 100) {
		s.fail(name, "is no temperature of water: 0 °C to 100 °C")
	}
	return x
}

// levels ties a device to the points that read its level and its need.
func (s section) levels(d *actions.Device) {
	d.Level = s.ownPoint("level", d)
	if pt := d.Point(d.Level); pt != nil {
		switch want := map[actions.Kind]string{actions.Battery: "%", actions.Vehicle: "%", actions.Tank: "°C"}[d.Kind]; {
		case pt.Read == nil:
			s.fail("level", "cannot be read: the point has no read")
		case want != "" && pt.Unit != want:
			s.fail("level", "is in %q: the level of a %s is in %s", pt.Unit, d.Kind, want)
		}
	}
	if n := s.node("need"); n != nil {
		s.need(n, d)
	}
}

func (s section) need(n *node, d *actions.Device) {
	v, isText := n.string()
	if !isText || v == "" || !isName(v) && !isRef(v) {
		d.NeedWh = s.positive("need", "Wh")
		return
	}
	d.NeedPoint = s.ownPoint("need", d)
	if pt := d.Point(d.NeedPoint); pt != nil && (pt.Read == nil || pt.Unit != "Wh" && pt.Unit != "kWh") {
		s.fail("need", "reads no energy: the point is to have a read, and the unit Wh or kWh")
	}
}

// ownPoint reads the name of one of the device's points.
func (s section) ownPoint(name string, d *actions.Device) string {
	v := strings.TrimPrefix(s.text(name), d.Name+".")
	if v == "" {
		return ""
	}
	var known []string
	for i := range d.Points {
		known = append(known, d.Points[i].Ref.Point)
	}
	if !s.known(s.node(name), join(s.path, name), "point of this device called", v, known) {
		return ""
	}
	return v
}
