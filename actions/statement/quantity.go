package statement

import (
	"fmt"
	"strconv"
	"strings"
	"unicode"
)

// A Quantity is a number with its unit, as written. A bare number has the unit "".
type Quantity struct {
	Number float64
	Unit   string // canonical: "°C" for degC
}

// String returns the quantity as a statement writes it: "3.6 kW", "80 %", "5".
func (q Quantity) String() string {
	n := strconv.FormatFloat(q.Number, 'f', -1, 64)
	if q.Unit == "" {
		return n
	}
	return n + " " + q.Unit
}

// ParseQuantity reads a number and a unit, with or without a space between them.
func ParseQuantity(s string) (Quantity, error) {
	t := strings.TrimSpace(s)
	n := numberLen(t)
	if n == 0 {
		return Quantity{}, fmt.Errorf("%q is no quantity: write a number and its unit", s)
	}
	x, err := parseNumber(t[:n])
	if err != nil {
		return Quantity{}, err
	}
	u, err := ParseUnit(strings.TrimSpace(t[n:]))
	return Quantity{x, u}, err
}

// A unit ties a name to what it measures and to the power of ten that separates it from the dimension's base unit.
type unit struct {
	name  string
	of    string // dimension, with its article
	shift int
}

// units are those that convert. A point may have another, which then converts to nothing.
func units() []unit {
	return []unit{
		{"mA", "a current", -3}, {"A", "a current", 0},
		{"W", "a power", 0}, {"kW", "a power", 3}, {"MW", "a power", 6},
		{"VA", "an apparent power", 0}, {"kVA", "an apparent power", 3},
		{"mV", "a voltage", -3}, {"V", "a voltage", 0}, {"kV", "a voltage", 3},
		{"Wh", "an energy", 0}, {"kWh", "an energy", 3}, {"MWh", "an energy", 6},
		{"L", "a volume", 0}, {"m³", "a volume", 3},
		{"°C", "a temperature", 0},
		{"K", "a temperature difference", 0},
		{"%", "a percentage", 0},
		{"B", "a size", 0}, {"kB", "a size", 3}, {"MB", "a size", 6}, {"GB", "a size", 9},
	}
}

// aliases are other ways to write a unit that cannot be mistaken for another.
func aliases(name string) string {
	switch name {
	case "degC", "℃", "ºC": // the last is the ordinal sign, which many keyboards have in its place
		return "°C"
	case "l":
		return "L"
	case "m3":
		return "m³"
	}
	return name
}

func findUnit(name string) (unit, bool) {
	for _, u := range units() {
		if u.name == name {
			return u, true
		}
	}
	return unit{}, false
}

// ParseUnit returns the canonical form of a unit. A unit that nobody knows is accepted as it stands, since a point may
// count anything; one that is only spelled wrong is an error. "" is the unit of a bare number.
func ParseUnit(s string) (string, error) {
	name := aliases(s)
	if _, ok := findUnit(name); ok || name == "" {
		return name, nil
	}
	switch name {
	case "C", "c", "deg", "celsius", "degrees":
		return "", fmt.Errorf("%q is no unit: write °C", s)
	case "F", "°F", "degF":
		return "", fmt.Errorf("%q is not known here: write °C", s)
	}
	for _, u := range units() {
		if strings.EqualFold(u.name, name) {
			return "", fmt.Errorf("%q is no unit: write %s", s, u.name)
		}
	}
	exponent := (name[0] == 'e' || name[0] == 'E') && allDigits(name[1:]) // 1e3 is a number nobody writes by hand
	if exponent || isKeyword(name) || strings.IndexFunc(name, notInUnit) >= 0 || len(name) > 16 || unicode.IsDigit(rune(name[0])) {
		return "", fmt.Errorf("%q is no unit", s)
	}
	return name, nil
}

func notInUnit(r rune) bool {
	return !unicode.IsLetter(r) && !unicode.IsNumber(r) && !strings.ContainsRune("%°/·_", r)
}

// In returns the number that q has in another unit. It converts within a dimension only. A bare number counts where the
// unit is "" or "%", since percentages are bare.
func (q Quantity) In(to string) (float64, error) {
	if q.Unit == to || q.Unit == "" && to == "%" {
		return q.Number, nil
	}
	if q.Unit == "" {
		return 0, fmt.Errorf("%s needs its unit: write %q", q, Quantity{q.Number, to})
	}
	if to == "" {
		return 0, fmt.Errorf("%q has a unit where none belongs: write %s", q, Quantity{Number: q.Number})
	}
	from, ok := findUnit(q.Unit)
	want, ok2 := findUnit(to)
	switch {
	case ok && ok2 && from.of == want.of:
		return shift(q.Number, from.shift-want.shift), nil
	case ok && ok2:
		return 0, fmt.Errorf("%q is %s: write %s, in %s", q, from.of, want.of, unitsOf(want.of))
	}
	return 0, fmt.Errorf("%q is not in %s", q, to)
}

// unitsOf lists the units of a dimension.
func unitsOf(dimension string) string {
	var names []string
	for _, u := range units() {
		if u.of == dimension {
			names = append(names, u.name)
		}
	}
	return strings.Join(names, ", ")
}
