package modbus

import (
	"fmt"

	"spillway/actions"
	"spillway/actions/link"
)

// check finds what can never work in a point's addresses.
func (l *modbusLink) check(p *actions.Point) error {
	for key, a := range map[string]*actions.Address{"write": p.Write, "read": p.Read} {
		if a == nil {
			continue
		}
		if a.Register == nil {
			return bad(p, "%s: give it as { holding = 21, type = \"int16\" } or { model = 124, name = \"WChaMax\" }", key)
		}
		if err := l.checkRegister(a.Register, key == "write"); err != nil {
			return bad(p, "%s: %v", key, err)
		}
		if a.Timer != nil && key == "write" {
			if err := l.checkTimer(p, a.Timer); err != nil {
				return err
			}
		}
	}
	return nil
}

func (l *modbusLink) checkRegister(r *actions.Register, write bool) error {
	if r.Model != 0 {
		mp, err := l.modelPoint(r)
		if err == nil && write && !mp.write {
			err = fmt.Errorf("%s of SunSpec model %d cannot be written", mp.name, r.Model)
		}
		return err
	}
	switch r.Table {
	case "coil":
		return nil
	case "discrete", "input":
		if write {
			return fmt.Errorf("a register of the table %s cannot be written", r.Table)
		}
		if r.Table == "discrete" {
			return nil
		}
	case "holding":
	default:
		return fmt.Errorf("the table %q is none of holding, input, coil, discrete", r.Table)
	}
	form, err := layoutOf(r)
	switch {
	case err != nil:
		return err
	case int(r.Number)+form.size > 1<<16:
		return fmt.Errorf("%d registers from %d on go beyond 65535", form.size, r.Number)
	case r.Bit > 15:
		return fmt.Errorf("a register has the bits 0 to 15, not %d", r.Bit)
	}
	return nil
}

// readPlain reads a register or a bit by its number.
func readPlain(x *exchange, r *actions.Register, decode *link.Decoder) (actions.Value, error) {
	if r.Table == "coil" || r.Table == "discrete" {
		on, err := x.readBit(r.Table, r.Number)
		if err != nil {
			return actions.Value{}, err
		}
		return decode.FromNumber(bit(on))
	}
	form, err := layoutOf(r)
	if err != nil {
		return actions.Value{}, err
	}
	registers, err := x.read(r.Table, int(r.Number), form.size)
	if err != nil {
		return actions.Value{}, err
	}
	switch {
	case form.kind == "string":
		return decode.Decode(text(registers))
	case hasBit(r, form):
		return decode.FromNumber(float64(registers[0] >> r.Bit & 1))
	}
	return decode.FromNumber(times(form.number(registers), scaleOf(r)) + r.Offset)
}

// hasBit reports whether r means one bit. A register of two words has none.
func hasBit(r *actions.Register, form layout) bool {
	return r.Bit >= 0 && form.size == 1 && form.kind != "string"
}

func bit(on bool) float64 {
	if on {
		return 1
	}
	return 0
}

// A command is a write, worked out as far as it can be without asking the box.
type command struct {
	where string
	send  func(*exchange) error
}

// commandFor returns the command that sets p to v.
func (l *modbusLink) commandFor(p *actions.Point, v actions.Value) (command, error) {
	wire, err := link.Wire(p, v)
	if err != nil {
		return command{}, err
	}
	r := p.Write.Register
	c := command{where: place(r)}
	if r.Model != 0 {
		c.send, err = l.modelCommand(p, r, wire)
		return c, err
	}
	c.send, err = plainCommand(p, r, wire)
	return c, err
}

func plainCommand(p *actions.Point, r *actions.Register, wire any) (func(*exchange) error, error) {
	number, isNumber := link.AsNumber(wire)
	form, err := layoutOf(r)
	switch {
	case r.Table == "coil" && (!isNumber || number != 0 && number != 1):
		return nil, bad(p, "a coil is true or false, not %s", link.Text(wire))
	case r.Table == "coil":
		return func(x *exchange) error { return x.writeBit(r.Number, number == 1) }, nil
	case err != nil:
		return nil, bad(p, "%v", err)
	case form.kind == "string":
		registers, err := stringRegisters(link.Text(wire), form.size)
		if err != nil {
			return nil, bad(p, "%v", err)
		}
		return func(x *exchange) error { return x.write(r.Number, registers) }, nil
	case !isNumber:
		return nil, bad(p, "%q is no number for a register", link.Text(wire))
	case hasBit(r, form):
		if number != 0 && number != 1 {
			return nil, bad(p, "a bit is true or false, not %s", link.Text(wire))
		}
		return func(x *exchange) error { return writeOneBit(x, r, number == 1) }, nil
	}
	registers, err := words(p, r, form, number)
	if err != nil {
		return nil, err
	}
	return func(x *exchange) error { return x.write(r.Number, registers) }, nil
}

// words returns the registers that hold a number.
func words(p *actions.Point, r *actions.Register, form layout, number float64) ([]uint16, error) {
	registers, err := form.registers(over(number-r.Offset, scaleOf(r)))
	if err != nil {
		return nil, bad(p, "%v", err)
	}
	return registers, nil
}

// writeOneBit leaves the other bits as they are.
func writeOneBit(x *exchange, r *actions.Register, on bool) error {
	registers, err := x.read(r.Table, int(r.Number), 1)
	if err != nil {
		return err
	}
	word := registers[0] &^ (1 << r.Bit)
	if on {
		word |= 1 << r.Bit
	}
	return x.write(r.Number, []uint16{word})
}
