package modbus

import (
	"errors"
	"math"

	"spillway/actions"
	"spillway/actions/link"
)

// A box may end a value by itself after the time in another register, such as InOutWRte_RvrtTms of SunSpec model 124 and
// WSetRvrtTms or WMaxLimPctRvrtTms of model 704. The time goes before the value, or with it in one request where the
// registers lie side by side: a box that refuses the time is not given the value.

// checkTimer finds what can never work in a timer's address.
func (l *modbusLink) checkTimer(p *actions.Point, r *actions.Register) error {
	if err := l.checkRegister(r, true); err != nil {
		return bad(p, "timer: %v", err)
	}
	if _, err := l.commandFor(timerPoint(p), wholeUnits(p, link.Longest(p))); err != nil {
		return bad(p, "timer: it cannot take %s: %v", p.Write.Lasts, err)
	}
	return nil
}

// timerPoint returns the timer as a point of its own.
func timerPoint(p *actions.Point) *actions.Point {
	return &actions.Point{Ref: p.Ref, Write: &actions.Address{Register: p.Write.Timer}}
}

// wholeUnits returns the term in seconds, rounded up to what the timer can say.
func wholeUnits(p *actions.Point, t link.Term) actions.Value {
	unit := math.Abs(scaleOf(p.Write.Timer))
	return actions.Number(math.Ceil(float64(t.Seconds())/unit-1e-9) * unit)
}

// timedCommand returns the command that sets p to v and, where p has a timer, for how long.
func (l *modbusLink) timedCommand(p *actions.Point, v actions.Value, t link.Term) (command, error) {
	c, err := l.commandFor(p, v)
	if err != nil || p.Write.Timer == nil || t.For <= 0 {
		return c, err
	}
	if send, err := joined(p, v, t); send != nil || err != nil {
		c.send = send
		return c, err
	}
	timer, err := l.commandFor(timerPoint(p), wholeUnits(p, t))
	if err != nil {
		return c, err
	}
	value := c.send
	c.send = func(x *exchange) error {
		if err := timer.send(x); err != nil {
			var e *link.Error
			if errors.As(err, &e) {
				e.What += " (of its timer)"
			}
			return err
		}
		return value(x)
	}
	return c, nil
}

// joined returns the one request that writes value and timer, nil where their registers do not lie side by side.
func joined(p *actions.Point, v actions.Value, t link.Term) (func(*exchange) error, error) {
	r, timer := p.Write.Register, p.Write.Timer
	if r.Table != "holding" || timer.Table != "holding" {
		return nil, nil
	}
	form, err := layoutOf(r)
	form2, err2 := layoutOf(timer)
	if err != nil || err2 != nil || hasBit(r, form) || form.kind == "string" || hasBit(timer, form2) || form2.kind == "string" {
		return nil, nil
	}
	before, after := int(r.Number)+form.size == int(timer.Number), int(timer.Number)+form2.size == int(r.Number)
	wire, err := link.Wire(p, v)
	number, isNumber := link.AsNumber(wire)
	if err != nil || !isNumber || !before && !after {
		return nil, nil
	}
	a, err := words(p, r, form, number)
	if err != nil {
		return nil, err
	}
	b, err := words(p, timer, form2, wholeUnits(p, t).Number)
	switch {
	case err != nil:
		return nil, err
	case before:
		return func(x *exchange) error { return x.write(r.Number, append(a, b...)) }, nil
	}
	return func(x *exchange) error { return x.write(timer.Number, append(b, a...)) }, nil
}
