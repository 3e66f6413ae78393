package config

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"spillway/actions"
)

// meter reads how meter files are laid out.
func (l *loader) meter(top section, p *actions.Premises) Meter {
	s, _ := top.sub("meter")
	m := Meter{
		Zone:    s.plainZone("zone"),
		Stamp:   s.choice("stamp", "start", "end"),
		Unit:    s.choice("unit", "kWh", "Wh", "MWh", "W", "kW"),
		Columns: map[string]string{},

		Interval:  s.duration("interval", time.Second),
		Decimal:   s.choice("decimal", ".", ","),
		Separator: s.choice("separator", ",", ";", "\t", "|"),
		Dates:     s.choice("dates", "ymd", "dmy", "mdy"),
		Register:  s.truth("register"),
		Net:       s.truth("net"),
	}
	m.Files, _ = s.list("files")
	for i, f := range m.Files {
		m.Files[i] = l.path(f)
	}
	m.Point = s.meterPoint(p)
	if m.Point != nil && m.Interval != 0 && !evenly(m.Interval) {
		s.fail("interval", "does not divide the hour into whole minutes, as recorded intervals must")
	}
	columns, _ := s.sub("column")
	for _, name := range columns.names() {
		if n := columns.node(name); n.shape != scalar {
			columns.fail(name, "is the name or the number of a column")
		} else {
			m.Columns[name] = columns.column(name, n)
		}
	}
	if s.node("column") != nil && len(columns.vals) == 0 {
		s.fail("column", "is a table: write { time = \"start\", energy = \"value\" }")
	}
	return m
}

// column reads the name of a column, or its number, the first being 1.
func (s section) column(name string, n *node) string {
	if v, ok := n.string(); ok {
		return strings.TrimSpace(v)
	}
	return strconv.Itoa(s.count(name, 1, 1000))
}

func (s section) plainZone(name string) *time.Location {
	zone, err := time.LoadLocation(s.text(name))
	if err != nil || s.text(name) == "Local" {
		s.fail(name, "is no time zone: write an IANA name such as Europe/London, or UTC")
		return time.UTC
	}
	return zone
}

// meterPoint reads the point that shows the meter: a register or the import as a power; nil where none is given.
func (s section) meterPoint(p *actions.Premises) *actions.Ref {
	v := s.text("point")
	if v == "" {
		return nil
	}
	n := s.node("point")
	ref, err := actions.ParseRef(v)
	if err != nil {
		s.fail("point", "%v", err)
		return nil
	}
	pt := s.point(n, join(s.path, "point"), ref, p)
	switch {
	case pt == nil:
		return nil
	case pt.Read == nil:
		s.fail("point", "cannot be read: %s has no read", ref)
	case !slices.Contains([]string{"Wh", "kWh", "MWh", "W", "kW"}, pt.Unit):
		s.fail("point", "shows no energy and no power: the unit of %s is to be Wh, kWh, W or kW", ref)
	default:
		return &ref
	}
	return nil
}

// evenly reports whether an interval divides the hour into whole minutes.
func evenly(d time.Duration) bool { return d >= time.Minute && d%time.Minute == 0 && time.Hour%d == 0 }
