package config

import (
	"slices"
	"strings"
	"time"

	"spillway/actions"
	"spillway/actions/statement"
)

// points reads the points of a device, by name. link is nil where the device's link is not known.
func (s section) points(device string, link *actions.Link) []actions.Point {
	var all []actions.Point
	s.each("points", func(name string, ps section) {
		p := actions.Point{Ref: actions.Ref{Device: device, Point: name}}
		ps.value(&p)
		if link != nil {
			p.Write, p.Read = ps.addresses(link, &p)
		}
		ps.point1(&p)
		all = append(all, p)
	})
	if link != nil && link.Protocol == "ocpp" {
		all = withStation(all, device)
	}
	slices.SortFunc(all, func(a, b actions.Point) int { return a.Ref.Compare(b.Ref) })
	return all
}

// value reads what a point takes: names, or a number with unit and range.
func (s section) value(p *actions.Point) {
	s.values(p)
	if s.given("unit") {
		u, err := statement.ParseUnit(strings.TrimSpace(s.text("unit")))
		if err != nil {
			s.fail("unit", "%v", err)
		}
		p.Unit = u
	}
	s.span(p)
	if len(p.Values) > 0 && (s.given("unit") || s.given("range")) {
		s.fail("values", "and %s: a point takes names or a number", oneOf(s.given("unit"), "unit", "range"))
	}
}

func oneOf(first bool, a, b string) string {
	if first {
		return a
	}
	return b
}

// span reads range, whose bounds are bare numbers in the point's unit.
func (s section) span(p *actions.Point) {
	n := s.node("range")
	if n == nil {
		return
	}
	if n.shape != array || len(n.items) != 2 {
		s.fail("range", "is a list of two bare numbers in the point's unit: write [0, 5000]")
		return
	}
	least, ok := n.items[0].number()
	most, ok2 := n.items[1].number()
	switch {
	case !ok || !ok2:
		s.fail("range", "is a list of two bare numbers in the point's unit: write [0, 5000]")
	case !(least < most) || least < -1e15 || most > 1e15:
		s.fail("range", "is the least and then the most")
	default:
		p.Min, p.Max, p.HasRange = least, most, true
	}
}

// values reads the names a point takes, from a list, where each is its own wire form, or from a table.
func (s section) values(p *actions.Point) {
	if t, ok := s.sub("values"); ok {
		for _, name := range t.names() {
			if wire, ok := t.wire(name); ok {
				p.Values = append(p.Values, actions.NamedValue{Name: name, Wire: wire})
			}
		}
	} else if n := s.node("values"); n != nil {
		s.valueList(n, p)
	}
	s.distinct(p)
	for _, word := range []string{"auto", "normal"} {
		if p.Value(word) != nil {
			s.note("values", "has a value %q: in statements on this point the word means that value", word)
		}
	}
}

func (s section) valueList(n *node, p *actions.Point) {
	if n.shape != array {
		s.fail("values", "is a list of names, or a table of names and what is sent for them")
		return
	}
	for _, item := range n.items {
		name, ok := item.string()
		switch {
		case !ok:
			s.failAt(item, join(s.path, "values"), "is no name: write { name = %s }, a name for what is sent", item.shown())
		case !isName(name):
			cure := asName(name)
			if cure == "" {
				cure = "name"
			}
			s.failAt(item, join(s.path, "values"), "is no name: names are lower case with underscores; write { %s = %q }", cure, name)
		default:
			p.Values = append(p.Values, actions.NamedValue{Name: name, Wire: name})
		}
	}
	slices.SortFunc(p.Values, func(a, b actions.NamedValue) int { return strings.Compare(a.Name, b.Name) })
}

// wire reads what is sent for a name: a string, a number, or true or false.
func (s section) wire(name string) (any, bool) {
	n := s.node(name)
	switch v := n.value.(type) {
	case string:
		if n.loose {
			return looseWire(n), true
		}
		return v, true
	case bool, int64, float64:
		return v, true
	}
	s.fail(name, "is sent as text, a number, true or false")
	return nil, false
}

// looseWire takes text out of the environment for what TOML would have taken it.
func looseWire(n *node) any {
	if b, ok := n.bool(); ok {
		return b
	}
	if x, ok := n.number(); ok {
		if x == float64(int64(x)) {
			return int64(x)
		}
		return x
	}
	return n.value
}

// distinct complains of names that could not be told apart when they are read back.
func (s section) distinct(p *actions.Point) {
	if n := s.node("values"); n != nil && len(p.Values) == 0 && len(n.items) == 0 && len(n.keys) == 0 {
		s.fail("values", "is empty: write the names that the point takes")
	}
	for i, v := range p.Values {
		for _, w := range p.Values[:i] {
			if v.Name == w.Name {
				s.fail("values", "names %s twice", v.Name)
			} else if v.Wire == w.Wire {
				s.fail("values", "sends the same for %s and %s, which could not be told apart", w.Name, v.Name)
			}
		}
	}
}

// point1 reads the keys of a point that do not say how it is reached or what it takes.
func (s section) point1(p *actions.Point) {
	p.Protects, p.Open = s.truth("protects"), s.truth("open")
	if p.Protects && p.Open {
		s.fail("open", "and protects: what is never held cannot be set from an event")
	}
	if s.given("lasts") {
		p.Lasts = s.duration("lasts", time.Second)
	}
	p.Tolerance = s.tolerance(p)
	p.Draws = s.draws(p)
	if n := s.node("normal"); n != nil {
		p.Normal = s.normal(n, p)
	}
	switch {
	case p.Write != nil && p.Read == nil && !s.given("normal"):
		s.fail("normal", "is missing: a point that is written and never read cannot be asked for it")
	case p.Write == nil && p.Read == nil && !s.given("write") && !s.given("read"):
		s.fail("", "has neither write nor read: write how the link addresses it")
	case p.Write == nil && !s.given("write") && (p.Normal.Known || p.Open):
		s.note("write", "is not given: normal and open mean nothing for a point that is only read")
	}
}

// normal reads a value of the point. A number may be bare: it is in the point's unit, as range is.
func (s section) normal(n *node, p *actions.Point) actions.Value {
	var v actions.Value
	x, bare := n.number()
	text, isText := n.string()
	var err error
	switch {
	case bare && len(p.Values) == 0:
		v = actions.Number(x)
	case isText:
		v, err = statement.ParseValue(text, p)
	default:
		s.fail("normal", "is no value of the point: %s", takes(p))
		return v
	}
	switch {
	case err != nil:
		s.fail("normal", "%v", err)
	case v.IsNumber() && p.HasRange && (v.Number < p.Min || v.Number > p.Max):
		s.fail("normal", "is outside range: %s to %s", plain(p.Min), statement.Quantity{Number: p.Max, Unit: p.Unit})
	}
	return v
}

// takes says what a point takes.
func takes(p *actions.Point) string {
	if len(p.Values) == 0 {
		return "write a number with its unit"
	}
	var all []string
	for _, v := range p.Values {
		all = append(all, v.Name)
	}
	return "write one of " + strings.Join(all, ", ") + ", between quotes"
}

// tolerance reads how far a read-back may differ: 1 % for numbers and nothing for names where it is not given. A bare
// number is in percent of the value; on a point that is itself in percent it is in points, as is one with a % sign.
func (s section) tolerance(p *actions.Point) actions.Tolerance {
	n := s.node("tolerance")
	if len(p.Values) > 0 {
		if x, ok := float64(0), false; n != nil {
			if x, ok = n.number(); !ok || x != 0 {
				s.fail("tolerance", "is 0 for names")
			}
		}
		return actions.Tolerance{}
	}
	if n == nil {
		return actions.Tolerance{Percent: 1}
	}
	x, ok := n.number()
	q := statement.Quantity{Number: x, Unit: "%"}
	if !ok {
		if q, ok = s.quantityAt(n, join(s.path, "tolerance"), p.Unit); !ok {
			return actions.Tolerance{}
		}
	}
	if q.Number < 0 {
		s.fail("tolerance", "is below zero")
	}
	if q.Unit == "%" && p.Unit != "%" {
		return actions.Tolerance{Percent: q.Number}
	}
	x, err := q.In(p.Unit)
	if err != nil {
		s.fail("tolerance", "%v; or write a percentage", err)
	}
	return actions.Tolerance{Absolute: x}
}

// draws reads what the values of a point draw: nothing at all, or so much by name.
func (s section) draws(p *actions.Point) actions.Draws {
	t, isTable := s.sub("draws")
	if !isTable {
		n := s.node("draws")
		if n == nil {
			return actions.Draws{}
		}
		v, ok := n.bool()
		if !ok {
			s.fail("draws", "is false, or a table such as { on = \"1.1 kW\" }")
		}
		return actions.Draws{None: ok && !v}
	}
	d := actions.Draws{ByName: map[string]float64{}}
	for _, name := range t.names() {
		if p.Value(name) == nil {
			t.fail(name, "is no value of the point: %s", takes(p))
			continue
		}
		if w, ok := t.quantity(name, "W"); ok {
			d.ByName[name] = w
		}
	}
	return d
}
