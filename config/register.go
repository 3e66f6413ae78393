package config

import (
	"strings"

	"spillway/actions"
)

// register reads a Modbus address: a number in one table, or a SunSpec model and name.
func (s section) register(p *actions.Point) *actions.Register {
	r := &actions.Register{
		Type:   s.choice("type", "int16", "uint16", "int32", "uint32", "float32", "string"),
		Scale:  s.number("scale", -1e9, 1e9),
		Offset: s.number("offset", -1e9, 1e9),
		Words:  s.choice("words", "high", "low"),
		Bit:    -1,
	}
	if s.given("nth") {
		r.Nth = s.count("nth", 1, 100)
	}
	s.failUnless("scale", r.Scale != 0, "is not zero")
	if s.given("bit") {
		r.Bit = s.count("bit", 0, 15)
	}
	if s.given("length") {
		r.Length = s.count("length", 1, 125) // the most one exchange reads (Modbus Application Protocol V1.1b3, 6.3)
	}
	s.where(r)
	s.fits(r, p)
	return r
}

func (s section) where(r *actions.Register) {
	var tables []string
	for _, t := range []string{"holding", "input", "coil", "discrete"} {
		if s.given(t) {
			tables = append(tables, t)
		}
	}
	model := s.given("model") || s.given("name")
	switch {
	case len(tables) == 0 && !model:
		s.fail("", "says not where: write { holding = 21, type = \"int16\" } or { model = 124, name = \"WChaMax\" }")
	case len(tables) > 1 || len(tables) == 1 && model:
		s.fail("", "says twice where: one of holding, input, coil, discrete, or model and name")
	case model:
		r.Model, r.Name = uint16(s.count("model", 1, 65535)), s.required("name")
		s.required1("model")
		for _, k := range []string{"type", "words", "bit", "length"} {
			if s.given(k) {
				s.fail(k, "is known from the SunSpec model: leave it out")
			}
		}
		r.Type, r.Words = "", ""
	default:
		if s.given("nth") {
			s.fail("nth", "belongs to a SunSpec model")
		}
		r.Table = tables[0]
		r.Number = uint16(s.count(r.Table, 0, 65535))
		s.bits(r)
	}
}

// required1 complains of a number that is missing.
func (s section) required1(name string) {
	if !s.given(name) {
		s.fail(name, "is missing%s", s.such(name))
	}
}

// bits checks what belongs to tables of single bits and what does not.
func (s section) bits(r *actions.Register) {
	if r.Table == "coil" || r.Table == "discrete" {
		for _, k := range []string{"type", "scale", "offset", "words", "bit", "length"} {
			if s.given(k) {
				s.fail(k, "means nothing for a %s, which is one bit", r.Table)
			}
		}
		r.Type, r.Words = "", ""
		return
	}
	switch {
	case r.Type == "string" && r.Length == 0:
		s.fail("length", "is missing: how many registers the string has")
	case r.Type != "string" && s.given("length"):
		s.fail("length", "belongs to type = \"string\"")
	case r.Bit >= 0 && r.Type != "uint16" && r.Type != "int16":
		s.fail("bit", "belongs to a register of 16 bits")
	case s.given("words") && !strings.HasSuffix(r.Type, "32"):
		s.fail("words", "belongs to a type of 32 bits")
	}
}

// fits complains of a range whose ends the register cannot hold.
func (s section) fits(r *actions.Register, p *actions.Point) {
	bounds := map[string][2]float64{
		"int16": {-32768, 32767}, "uint16": {0, 65535}, "int32": {-2147483648, 2147483647}, "uint32": {0, 4294967295},
	}
	b, ok := bounds[r.Type]
	if !ok || !p.HasRange || r.Scale == 0 || !strings.HasSuffix(s.path, ".write") {
		return
	}
	for _, end := range []float64{p.Min, p.Max} {
		if raw := (end - r.Offset) / r.Scale; raw < b[0] || raw > b[1] {
			s.fail("type", "cannot hold %s, which range allows: %s would be written, and %s goes from %s to %s", plain(end),
				plain(raw), r.Type, plain(b[0]), plain(b[1]))
		}
	}
}
