package modbus

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"github.com/simonvetter/modbus"

	"spillway/actions"
	"spillway/actions/link"
)

// A placement is where a model lies in the box: the register of its ID, and the length it says.
type placement struct {
	at, length int
}

// longestChain is the most models looked at.
const longestChain = 300

// modelPoint finds the point that an address names in the models known.
func (l *modbusLink) modelPoint(r *actions.Register) (modelPoint, error) {
	m, ok := l.models[r.Model]
	if !ok {
		return modelPoint{}, fmt.Errorf("SunSpec model %d is not known here; address it by register number", r.Model)
	}
	p, ok := m.points[strings.ToLower(r.Name)]
	if !ok || p.kind == "pad" {
		return modelPoint{}, fmt.Errorf("SunSpec model %d has no point %q: write its name as the model's definition has it, or address it by register number", r.Model, r.Name)
	}
	return p, nil
}

// walk looks for the "SunS" mark and follows the chain of models: ID, length, and so on to ID 0xFFFF (SunSpec Device
// Information Model Specification, from memory; the three places are those of the open reference client).
func walk(x *exchange) (map[uint16][]placement, error) {
	at, err := mark(x)
	if err != nil {
		return nil, err
	}
	found := map[uint16][]placement{}
	at += 2
	for steps := 0; at+2 <= 1<<16 && steps < longestChain; steps++ {
		head, err := x.read("holding", at, 2)
		if link.ClassOf(err) == link.Refused && len(found) > 0 {
			return found, nil // a box that forgot the end mark
		}
		if err != nil {
			return nil, err
		}
		id, length := head[0], int(head[1])
		if id == 0xffff {
			return found, nil
		}
		found[id] = append(found[id], placement{at, length})
		at += 2 + length
	}
	return found, nil
}

func mark(x *exchange) (int, error) {
	for _, at := range []int{40000, 0, 50000} {
		head, err := x.read("holding", at, 2)
		switch {
		case err != nil && (errors.Is(x.exception, modbus.ErrGWPathUnavailable) || errors.Is(x.exception, modbus.ErrGWTargetFailedToRespond)):
			return 0, err // there is no such unit: it is not the mark that is missing
		case err != nil && link.ClassOf(err) != link.Refused:
			return 0, err
		case err == nil && head[0] == 0x5375 && head[1] == 0x6e53:
			return at, nil
		}
	}
	return 0, &link.Error{Class: link.Refused, What: x.what + ": the box has no SunSpec mark at 40000, 0 or 50000"}
}

// locate returns where a point's model lies. The chain is walked once for each connection.
func (l *modbusLink) locate(x *exchange, r *actions.Register, mp modelPoint) (int, error) {
	if x.conn.models == nil {
		found, err := walk(x)
		if err != nil {
			return 0, err
		}
		x.conn.models = found
	}
	all, nth := x.conn.models[r.Model], max(r.Nth, 1)
	switch {
	case len(all) == 0:
		return 0, &link.Error{Class: link.Refused, What: fmt.Sprintf("%s: the box has no such model", x.what)}
	case nth > len(all):
		return 0, &link.Error{Class: link.Refused, What: fmt.Sprintf("%s: the box has that model %d times only", x.what, len(all))}
	}
	where := all[nth-1]
	switch {
	case mp.offset+mp.size > where.length+2:
		return 0, &link.Error{Class: link.Refused, What: fmt.Sprintf("%s: the box's model ends before it, after %d registers", x.what, where.length)}
	case where.at+mp.offset+mp.size > 1<<16:
		return 0, &link.Error{Class: link.Rubbish, What: fmt.Sprintf("%s: the box's model ends beyond register 65535", x.what)}
	}
	return where.at, nil
}

// readModel reads a point of a model with its scale factor.
func (l *modbusLink) readModel(x *exchange, r *actions.Register, decode *link.Decoder) (actions.Value, error) {
	mp, err := l.modelPoint(r)
	if err != nil {
		return actions.Value{}, err
	}
	at, err := l.locate(x, r, mp)
	if err != nil {
		return actions.Value{}, err
	}
	registers, factor, err := l.fetch(x, r, at, mp)
	if err != nil {
		return actions.Value{}, err
	}
	if mp.kind == "string" {
		if registers[0]>>8 == 0 {
			return actions.Value{}, absent(x)
		}
		return decode.Decode(text(registers))
	}
	form := layout{kind: mp.kind, size: mp.size}
	if notImplemented(mp.kind, form.raw(registers)) {
		return actions.Value{}, absent(x)
	}
	raw := form.number(registers)
	for symbol, number := range mp.symbols {
		if float64(number) == raw {
			if v, err := decode.Decode([]byte(symbol)); err == nil {
				return v, nil
			}
		}
	}
	return decode.FromNumber(times(times(raw, factor), scaleOf(r)) + r.Offset)
}

// fetch reads a point's registers and its scale factor, together where one exchange reaches both.
func (l *modbusLink) fetch(x *exchange, r *actions.Register, at int, mp modelPoint) ([]uint16, float64, error) {
	if mp.scale == "" {
		registers, err := x.read("holding", at+mp.offset, mp.size)
		return registers, 1, err
	}
	sf := l.models[r.Model].points[strings.ToLower(mp.scale)]
	first, last := min(mp.offset, sf.offset), max(mp.offset+mp.size, sf.offset+1)
	if last-first > most {
		factor, err := l.factor(x, r, at, mp)
		if err != nil {
			return nil, 0, err
		}
		registers, err := x.read("holding", at+mp.offset, mp.size)
		return registers, factor, err
	}
	all, err := x.read("holding", at+first, last-first)
	if err != nil {
		return nil, 0, err
	}
	factor, err := power(x, mp.scale, all[sf.offset-first])
	return all[mp.offset-first:][:mp.size], factor, err
}

// factor reads the scale factor of a point.
func (l *modbusLink) factor(x *exchange, r *actions.Register, at int, mp modelPoint) (float64, error) {
	if mp.scale == "" {
		return 1, nil
	}
	sf := l.models[r.Model].points[strings.ToLower(mp.scale)]
	registers, err := x.read("holding", at+sf.offset, 1)
	if err != nil {
		return 0, err
	}
	return power(x, mp.scale, registers[0])
}

// power returns ten to the power of a scale factor, which is -10 to 10.
func power(x *exchange, name string, raw uint16) (float64, error) {
	n := int16(raw)
	if n < -10 || n > 10 {
		return 0, &link.Error{Class: link.Rubbish, What: fmt.Sprintf("%s: its scale factor %s is %d", x.what, name, n)}
	}
	return math.Pow10(int(n)), nil
}

func absent(x *exchange) error {
	return &link.Error{Class: link.Rubbish, What: x.what + ": the box says \"not implemented\""}
}

// notImplemented reports whether raw is the value that stands for none. Accumulators say it with 0.
func notImplemented(kind string, raw uint64) bool {
	switch kind {
	case "int16", "sunssf":
		return raw == 0x8000
	case "uint16", "enum16", "bitfield16", "count":
		return raw == 0xffff
	case "int32":
		return raw == 0x80000000
	case "uint32", "enum32", "bitfield32":
		return raw == 0xffffffff
	case "int64":
		return raw == 0x8000000000000000
	case "uint64":
		return raw == math.MaxUint64
	case "acc16", "acc32", "acc64":
		return raw == 0
	case "float32":
		return math.IsNaN(float64(math.Float32frombits(uint32(raw))))
	case "float64":
		return math.IsNaN(math.Float64frombits(raw))
	}
	return false
}

// modelCommand returns the command that sets a point of a model. A string may name a value of its enumeration.
func (l *modbusLink) modelCommand(p *actions.Point, r *actions.Register, wire any) (func(*exchange) error, error) {
	mp, err := l.modelPoint(r)
	if err != nil {
		return nil, bad(p, "%v", err)
	}
	if mp.kind == "string" {
		registers, err := stringRegisters(link.Text(wire), mp.size)
		if err != nil {
			return nil, bad(p, "%v", err)
		}
		return l.place(r, mp, func(float64) ([]uint16, error) { return registers, nil }), nil
	}
	number, ok := link.AsNumber(wire)
	if symbol, isSymbol := mp.symbols[link.Text(wire)]; isSymbol {
		number, ok = float64(symbol), true
	}
	if !ok {
		return nil, bad(p, "%q is neither a number nor a value of %s", link.Text(wire), mp.name)
	}
	raw := over(number-r.Offset, scaleOf(r))
	return l.place(r, mp, func(factor float64) ([]uint16, error) {
		registers, err := layout{kind: mp.kind, size: mp.size}.registers(over(raw, factor))
		if err == nil && notImplemented(mp.kind, layout{}.raw(registers)) && !strings.HasPrefix(mp.kind, "acc") {
			err = errors.New("this value stands for \"not implemented\"")
		}
		if err != nil {
			return nil, bad(p, "%v", err)
		}
		return registers, nil
	}), nil
}

// place returns what writes a point once its place and its scale factor are known.
func (l *modbusLink) place(r *actions.Register, mp modelPoint, registers func(factor float64) ([]uint16, error)) func(*exchange) error {
	return func(x *exchange) error {
		at, err := l.locate(x, r, mp)
		if err != nil {
			return err
		}
		factor, err := l.factor(x, r, at, mp)
		if err != nil {
			return err
		}
		words, err := registers(factor)
		if err != nil {
			return err
		}
		return x.write(uint16(at+mp.offset), words)
	}
}
