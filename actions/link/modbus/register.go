package modbus

import (
	"bytes"
	"fmt"
	"math"
	"strconv"

	"spillway/actions"
	"spillway/actions/link"
)

// most is the greatest number of registers in one reading (Application Protocol V1.1b3, 6.3).
const most = 125

// A layout says how registers make a number or a text.
type layout struct {
	kind     string
	size     int // registers
	lowFirst bool
}

// layoutOf returns the layout of a register address.
func layoutOf(r *actions.Register) (layout, error) {
	l := layout{kind: r.Type, lowFirst: r.Words == "low"}
	if l.kind == "" {
		l.kind = "int16"
	}
	if l.kind == "string" {
		l.size = r.Length
	} else {
		l.size = size(l.kind)
	}
	switch {
	case l.kind != "string" && l.kind != "float32" && bounds(l.kind) == nil:
		return l, fmt.Errorf("the type %q is none of int16, uint16, int32, uint32, float32, string", r.Type)
	case l.size < 1 || l.size > most:
		return l, fmt.Errorf("a string has 1 to %d registers, not %d", most, l.size)
	case r.Words != "" && r.Words != "high" && r.Words != "low":
		return l, fmt.Errorf("words is high or low, not %q", r.Words)
	}
	return l, nil
}

// bounds returns the least and greatest number of an integer type.
func bounds(kind string) []float64 {
	switch kind {
	case "int16", "sunssf":
		return []float64{math.MinInt16, math.MaxInt16}
	case "uint16", "acc16", "enum16", "bitfield16", "count":
		return []float64{0, math.MaxUint16}
	case "int32":
		return []float64{math.MinInt32, math.MaxInt32}
	case "uint32", "acc32", "enum32", "bitfield32":
		return []float64{0, math.MaxUint32}
	case "int64":
		return []float64{-(1 << 53), 1 << 53} // as far as a float64 is exact
	case "uint64", "acc64":
		return []float64{0, 1 << 53}
	}
	return nil
}

// raw joins the registers to one number, most significant register first.
func (l layout) raw(registers []uint16) uint64 {
	var x uint64
	for i := range registers {
		r := registers[i]
		if l.lowFirst {
			r = registers[len(registers)-1-i]
		}
		x = x<<16 | uint64(r)
	}
	return x
}

// number returns what the registers say, before scale and offset.
func (l layout) number(registers []uint16) float64 {
	x := l.raw(registers)
	switch l.kind {
	case "int16", "sunssf":
		return float64(int16(x))
	case "int32":
		return float64(int32(x))
	case "int64":
		return float64(int64(x))
	case "float32":
		// By way of its shortest decimal form: 0.1 is meant to be 0.1.
		short, _ := strconv.ParseFloat(strconv.FormatFloat(float64(math.Float32frombits(uint32(x))), 'g', -1, 32), 64)
		return short
	case "float64":
		return math.Float64frombits(x)
	}
	return float64(x)
}

// text returns the characters in the registers, up to a NUL and without space around.
func text(registers []uint16) []byte {
	var b []byte
	for _, r := range registers {
		b = append(b, byte(r>>8), byte(r))
	}
	b, _, _ = bytes.Cut(b, []byte{0})
	return bytes.TrimSpace(b)
}

// registers returns the registers that hold x, rounded to a whole number where the type is one.
func (l layout) registers(x float64) ([]uint16, error) {
	var bits uint64
	switch l.kind {
	case "float32":
		if math.Abs(x) > math.MaxFloat32 {
			return nil, fmt.Errorf("%v does not fit in a float32", x)
		}
		bits = uint64(math.Float32bits(float32(x)))
	default:
		x = math.Round(x)
		b := bounds(l.kind)
		if b == nil || x < b[0] || x > b[1] {
			return nil, fmt.Errorf("%s does not fit in %s", link.Text(x), l.kind)
		}
		bits = uint64(int64(x))
	}
	out := make([]uint16, l.size)
	for i := range out {
		shift := 16 * (len(out) - 1 - i)
		if l.lowFirst {
			shift = 16 * i
		}
		out[i] = uint16(bits >> shift)
	}
	return out, nil
}

// stringRegisters returns s in n registers, filled up with NUL.
func stringRegisters(s string, n int) ([]uint16, error) {
	if len(s) > 2*n {
		return nil, fmt.Errorf("%q does not fit in %d characters", s, 2*n)
	}
	b := append([]byte(s), make([]byte, 2*n-len(s))...)
	out := make([]uint16, n)
	for i := range out {
		out[i] = uint16(b[2*i])<<8 | uint16(b[2*i+1])
	}
	return out, nil
}

// times returns x times scale. A scale like 0.1 divides by 10 instead, so that 3 becomes 0.3 and not a neighbour of it.
func times(x, scale float64) float64 {
	if inverse := math.Round(1 / scale); math.Abs(scale) < 1 && math.Abs(inverse*scale-1) < 1e-12 {
		return x / inverse
	}
	return x * scale
}

// over returns x divided by scale, likewise.
func over(x, scale float64) float64 {
	if inverse := math.Round(1 / scale); math.Abs(scale) < 1 && math.Abs(inverse*scale-1) < 1e-12 {
		return x * inverse
	}
	return x / scale
}

// scaleOf returns the address's scale, 1 where it is not given.
func scaleOf(r *actions.Register) float64 {
	if r.Scale == 0 {
		return 1
	}
	return r.Scale
}
