package actions

import (
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Plain returns a configured name as people read it: "barn_battery" is "barn battery".
func Plain(name string) string {
	return strings.Join(strings.Fields(strings.ReplaceAll(name, "_", " ")), " ")
}

// Heading returns a configured name as the head of a line: "barn_battery" is "Barn battery".
func Heading(name string) string {
	s := Plain(name)
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 {
		return ""
	}
	return string(unicode.ToUpper(r)) + s[n:]
}

// FormatQuantity writes x with its unit, in at most three decimals: 5000 W is "5 kW", 16 A is "16 A".
func FormatQuantity(x float64, unit string) string {
	switch unit {
	case "W", "Wh":
		if math.Abs(x) >= 1000 {
			x, unit = x/1000, "k"+unit
		}
	}
	s := strconv.FormatFloat(math.Round(x*1000)/1000+0, 'f', -1, 64) // +0: no minus before a zero
	switch unit {
	case "":
		return s
	case "%":
		return s + unit
	}
	return s + " " + unit
}

// Say tells in plain words what holding the point r at v does, without the device's name: "charge at 5 kW", "boost on",
// "charge". It knows nothing of devices but the names in the configuration.
func (p *Premises) Say(r Ref, v Value) string {
	var unit string
	var kind Kind
	if d := p.Device(r.Device); d != nil {
		kind = d.Kind
	}
	if pt := p.Point(r); pt != nil {
		unit = pt.Unit
	}
	point := Plain(r.Point)
	switch {
	case !v.Known:
		return point + " at its normal"
	case v.Name != "":
		return sayName(point, Plain(v.Name))
	case unit == "A" && kind == Vehicle && v.Number == 0:
		return "stop charging"
	case unit == "A" && kind == Vehicle:
		return "charge at " + FormatQuantity(v.Number, unit)
	}
	if act, ok := strings.CutSuffix(point, " power"); ok {
		return act + " at " + FormatQuantity(v.Number, unit)
	}
	return point + " " + FormatQuantity(v.Number, unit)
}

// sayName leaves out a point's name that only says that it has names.
func sayName(point, value string) string {
	if rest, ok := strings.CutSuffix(point, "mode"); ok {
		return strings.TrimSpace(rest + value)
	}
	return point + " " + value
}

// SayStep tells in plain words what a step does, with the device's name: "Barn battery: charge at 5 kW", "Cylinder: boost
// back to off".
func (p *Premises) SayStep(s Step) string {
	if !s.Release {
		return Heading(s.Point.Device) + ": " + p.Say(s.Point, s.Value)
	}
	back := "back to its normal"
	if s.Value.Known {
		back = "back to " + p.SayValue(s.Point, s.Value)
	}
	return Heading(s.Point.Device) + ": " + Plain(strings.TrimSuffix(s.Point.Point, "mode")+" "+back)
}

// SayValue writes a value of the point r with its unit, or as its name in plain words; an unknown one is "?".
func (p *Premises) SayValue(r Ref, v Value) string {
	if !v.IsNumber() {
		return Plain(v.String())
	}
	if pt := p.Point(r); pt != nil {
		return FormatQuantity(v.Number, pt.Unit)
	}
	return FormatQuantity(v.Number, "")
}

// planUIDs end every UID of the published plan.
const planUIDs = "@plan.spillway"

// PlanUID returns the UID under which a part of the plan is published: a window's phase, a step, a problem. It depends
// on nothing else, so that an entry stays the same entry whatever of it changes.
func PlanUID(of, part string) string { return of + "-" + part + planUIDs }

// IsPlanUID reports whether an event is one of those that a plan was published as, here or elsewhere. They carry the
// titles of windows, and taken for windows they would breed.
func IsPlanUID(uid string) bool { return strings.HasSuffix(uid, planUIDs) }
