package actions

import (
	"encoding/json"
	"fmt"
	"math"
	"strconv"
)

// A Value is what a point is set to or reads as: a number in the point's unit, or a name. The zero Value is unknown.
// Values compare with ==; use [Value.Near] for what a device reads back.
type Value struct {
	// Known is false for a value nobody knows; the other fields are then zero.
	Known bool
	// Name is the named value, "" for a number.
	Name string
	// Number is in the point's unit and counts where Name is "".
	Number float64
}

// Number returns the value x, in the point's unit.
func Number(x float64) Value { return Value{Known: true, Number: x} }

// Named returns the value called name.
func Named(name string) Value { return Value{Known: true, Name: name} }

// IsNumber reports whether v is a known number.
func (v Value) IsNumber() bool { return v.Known && v.Name == "" }

// Near reports whether v and w are the same value for a point with tolerance t. An unknown value is near nothing.
func (v Value) Near(w Value, t Tolerance) bool {
	if !v.Known || !w.Known || v.Name != w.Name {
		return false
	}
	if v.Name != "" {
		return true
	}
	allowed := math.Max(t.Absolute, math.Abs(w.Number)*t.Percent/100)
	// The last term forgives the rounding of decimal fractions on the way to a device and back.
	return math.Abs(v.Number-w.Number) <= allowed+1e-9*math.Max(1, math.Abs(w.Number))
}

// String returns the name, the shortest decimal form of the number, or "?" where the value is unknown.
func (v Value) String() string {
	switch {
	case !v.Known:
		return "?"
	case v.Name != "":
		return v.Name
	}
	return strconv.FormatFloat(v.Number, 'f', -1, 64)
}

// MarshalJSON writes a number, a string, or null where the value is unknown.
func (v Value) MarshalJSON() ([]byte, error) {
	switch {
	case !v.Known:
		return []byte("null"), nil
	case v.Name != "":
		return json.Marshal(v.Name)
	}
	return json.Marshal(v.Number)
}

// UnmarshalJSON reads what [Value.MarshalJSON] writes.
func (v *Value) UnmarshalJSON(b []byte) error {
	var x any
	if err := json.Unmarshal(b, &x); err != nil {
		return err
	}
	switch x := x.(type) {
	case nil:
		*v = Value{}
	case string:
		*v = Named(x)
	case float64:
		*v = Number(x)
	default:
		return fmt.Errorf("a value is a number, a name or null, not %s", b)
	}
	return nil
}

// A Tolerance says how far a read-back may lie from what was written and still count as the same: the larger of the two.
type Tolerance struct {
	Percent  float64 // of the value written
	Absolute float64 // in the point's unit
}
