package config

import (
	"strings"
	"time"
	_ "time/tzdata" // zone names must mean the same on a machine that has no zones of its own

	"spillway/actions"
	"spillway/actions/statement"
)

// config reads everything.
func (l *loader) config(top section) *Config {
	for key, to := range map[string]*[]string{
		"feeds": &l.all.feeds, "links": &l.all.links, "devices": &l.all.devices, "procedures": &l.all.procedures,
	} {
		tables, _ := top.sub(key)
		*to = tables.names()
	}
	c := &Config{
		State:   l.path(top.text("state")),
		Horizon: top.duration("horizon", time.Minute),
		Ready:   top.duration("readiness", 0),
	}
	c.Premises.Zone = top.zone("timezone")
	c.Premises.Margin = top.duration("margin", 0)
	supply := l.supply(top, &c.Premises.Supply)
	c.Feeds = l.feeds(top)
	c.Premises.Links = l.links(top)
	c.Premises.Devices = l.devices(top, &c.Premises)
	l.otherLoads(supply, &c.Premises)
	c.Premises.Procedures = l.procedures(top, &c.Premises)
	c.Publish = l.publish(top)
	c.Meter = l.meter(top, &c.Premises)
	c.Tell = l.tell(top, &c.Premises)
	l.later(top)
	c.Notices = l.notices
	return c
}

// zone reads an IANA time zone.
func (s section) zone(name string) *time.Location {
	v := s.text(name)
	zone, err := time.LoadLocation(v)
	if err != nil || v == "" || v == "Local" {
		s.fail(name, "is no time zone: write an IANA name such as Europe/London, or UTC")
		return time.UTC
	}
	if !s.given(name) {
		s.note(name, "is not given: UTC counts for floating and all-day events")
	}
	return zone
}

// supply reads the connection. What it says of other loads waits until the points are known.
func (l *loader) supply(top section, to *actions.Supply) section {
	s, _ := top.sub("supply")
	to.Phases = s.count("phases", 1, 3)
	if to.Phases == 2 {
		s.fail("phases", "is 1 or 3")
	}
	to.VoltageV = s.positive("voltage", "V")
	if to.VoltageV > 1000 {
		s.fail("voltage", "is above 1000 V, which no such supply has")
	}
	if !s.given("limit") {
		s.note("limit", "is not given: nothing keeps the plan below the service fuse")
		return s
	}
	if q, ok := s.quantityAt(s.node("limit"), "supply.limit", "A"); ok {
		to.LimitW = s.limit(q, to.VoltageV)
	}
	return s
}

// limit turns a current or a power per phase into W.
func (s section) limit(q statement.Quantity, volts float64) float64 {
	w, err := q.In("W")
	if amps, ampErr := q.In("A"); ampErr == nil {
		w, err = amps*volts, nil
	}
	switch {
	case err != nil:
		s.fail("limit", "is neither a current nor a power: write it with its unit, such as 60 A or 13.8 kW")
	case q.Number <= 0:
		s.fail("limit", "is not above zero: write the rating of the service fuse, or the lower figure you want kept")
	}
	return w
}

// otherLoads reads the allowance for the rest of the premises: a power, or the point that reads the whole import.
func (l *loader) otherLoads(s section, p *actions.Premises) {
	n := s.get("other_loads")
	v, isText := n.string()
	if ref, _ := actions.ParseRef(v); isText && isRef(v) {
		if pt := s.point(n, "supply.other_loads", ref, p); pt != nil && s.readsPower(n, pt) {
			p.Supply.OtherLoads = &ref
		}
		return
	}
	w, ok := s.quantity("other_loads", "W")
	if ok && w < 0 {
		s.fail("other_loads", "is below zero: generation is left out of the sums, which is the safe side")
	}
	p.Supply.OtherLoadsW = w
}

// isRef reports whether text is meant as device.point and not as a quantity.
func isRef(s string) bool {
	ref, err := actions.ParseRef(s)
	return err == nil && isName(ref.Device) && isName(ref.Point)
}

// readsPower complains of a point that does not read the import in W or kW.
func (s section) readsPower(n *node, pt *actions.Point) bool {
	switch {
	case pt.Read == nil:
		s.failAt(n, "supply.other_loads", "%s cannot be read: it has no read", pt.Ref)
	case pt.Unit != "W" && pt.Unit != "kW" && pt.Unit != "A":
		s.failAt(n, "supply.other_loads", "%s reads no power: its unit is to be W, kW or A", pt.Ref)
	default:
		return true
	}
	return false
}

// point returns the point that ref names, with a complaint where there is none.
func (s section) point(n *node, path string, ref actions.Ref, p *actions.Premises) *actions.Point {
	pt := p.Point(ref)
	if pt == nil {
		s.failAt(n, path, "%s", noPoint(ref, p))
	}
	return pt
}

// noPoint says that a point is missing, and which is nearest.
func noPoint(ref actions.Ref, p *actions.Premises) string {
	d := p.Device(ref.Device)
	if d == nil {
		var known []string
		for i := range p.Devices {
			known = append(known, p.Devices[i].Name)
		}
		return "there is no device " + ref.Device + meant(ref.Device, known)
	}
	var known []string
	for i := range d.Points {
		known = append(known, d.Points[i].Ref.Point)
	}
	hint := meant(ref.Point, known)
	if hint == "" && len(known) > 0 {
		hint = ": " + ref.Device + " has " + strings.Join(known, ", ")
	}
	return "there is no point " + ref.String() + hint
}
