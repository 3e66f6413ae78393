package statement

import (
	"fmt"
	"strings"

	"spillway/actions"
)

// Resolve makes a statement of one phase out of a raw one: names and ranges checked, numbers in the point's unit. lookup
// returns nil for a point that does not exist. Errors are of type [*Error].
func Resolve(r Raw, phase actions.Phase, lookup func(actions.Ref) *actions.Point) (actions.Statement, error) {
	s := actions.Statement{Point: r.Point, Text: r.Text}
	p := lookup(r.Point)
	if p == nil {
		return s, unknown(r, r.Point, r.Col)
	}
	if err := settable(p); err != nil {
		return s, r.fault(r.Col, "%v", err)
	}
	if err := spans1(r, phase, &s); err != nil {
		return s, err
	}
	want, err := resolveWant(r, phase, p)
	if err != nil {
		return s, err
	}
	s.Want = want
	if r.Guard != nil {
		s.Guard, err = resolveGuard(r, lookup)
	}
	return s, err
}

func (r Raw) fault(col int, format string, args ...any) *Error {
	return &Error{Text: r.Text, Col: col, What: fmt.Sprintf(format, args...)}
}

func unknown(r Raw, ref actions.Ref, col int) *Error {
	e := r.fault(col, "there is no point %s", ref)
	e.Unknown = &ref
	return e
}

func settable(p *actions.Point) error {
	switch {
	case p.Protects:
		return fmt.Errorf("%s protects and is never held", p.Ref)
	case p.Write == nil:
		return fmt.Errorf("%s cannot be written: it has no write", p.Ref)
	}
	return nil
}

// spans1 checks from, for and wait against the phase and puts them into s.
func spans1(r Raw, phase actions.Phase, s *actions.Statement) error {
	if f := r.From; f != nil {
		switch {
		case phase != actions.PhaseLeadIn:
			return r.fault(f.Col, "from belongs to lead_in statements only")
		case f.Of > 0:
			return r.fault(f.Col, "a lead-in comes before the window's start: write from -%s", FormatDuration(f.Of))
		}
		s.From, s.HasFrom = f.Of, true
	}
	if f := r.For; f != nil {
		switch {
		case phase == actions.PhaseRestore:
			return r.fault(f.Col, "a restore value stays: it takes no for")
		case f.Of <= 0:
			return r.fault(f.Col, "for %s is no time at all: write a duration above zero", FormatDuration(f.Of))
		}
		s.For = f.Of
	}
	if w := r.Wait; w != nil {
		if w.Of < 0 {
			return r.fault(w.Col, "a wait is zero or longer")
		}
		s.Wait = w.Of
	}
	if g := r.Guard; g != nil && phase == actions.PhaseRestore {
		return r.fault(g.Col, "a restore value takes no if")
	}
	return nil
}

func resolveWant(r Raw, phase actions.Phase, p *actions.Point) (actions.Want, error) {
	if r.Value.Name != "" && p.Value(r.Value.Name) == nil {
		switch r.Value.Name {
		case "auto":
			if phase == actions.PhaseRestore {
				return actions.Want{}, r.fault(r.Value.Col, "auto has no meaning after a window: write the value to go back to")
			}
			return actions.Want{Auto: true}, nil
		case "normal":
			return actions.Want{Normal: true}, nil
		}
	}
	v, err := ResolveValue(r.Value, p)
	if err != nil {
		return actions.Want{}, r.fault(r.Value.Col, "%v", err)
	}
	if p.HasRange && (v.Number < p.Min || v.Number > p.Max) {
		return actions.Want{}, r.fault(r.Value.Col, "%s is outside the range of %s: %s to %s", r.Value, p.Ref,
			Quantity{p.Min, p.Unit}, Quantity{p.Max, p.Unit})
	}
	return actions.Want{Value: v}, nil
}

func resolveGuard(r Raw, lookup func(actions.Ref) *actions.Point) (*actions.Guard, error) {
	g := r.Guard
	p := lookup(g.Point)
	switch {
	case p == nil:
		return nil, unknown(r, g.Point, g.Col)
	case p.Read == nil:
		return nil, r.fault(g.Col, "%s cannot be read: it has no read", g.Point)
	}
	v, err := ResolveValue(g.Value, p)
	if err != nil {
		return nil, r.fault(g.Value.Col, "%v", err)
	}
	if !v.IsNumber() && g.Op != "=" && g.Op != "!=" {
		return nil, r.fault(g.Value.Col, "%s takes names, which have no order: write = or !=", g.Point)
	}
	return &actions.Guard{Point: g.Point, Op: g.Op, Value: v}, nil
}

// ResolveValue makes a value of p out of an operand: one of its names, or a number converted to its unit. The range is
// not looked at.
func ResolveValue(o Operand, p *actions.Point) (actions.Value, error) {
	if len(p.Values) > 0 {
		name := o.String()
		if p.Value(name) == nil {
			return actions.Value{}, fmt.Errorf("%q is no value of %s: %s", name, p.Ref, valueNames(p))
		}
		return actions.Named(name), nil
	}
	if o.Name != "" {
		return actions.Value{}, fmt.Errorf("%q is no value of %s: it takes a number%s", o.Name, p.Ref, inUnit(p.Unit))
	}
	x, err := o.Quantity.In(p.Unit)
	if err != nil {
		return actions.Value{}, err
	}
	return actions.Number(x), nil
}

// ParseValue reads a value of p as a person writes one: "charge", "5 kW", "80".
func ParseValue(s string, p *actions.Point) (actions.Value, error) {
	t := strings.TrimSpace(s)
	if len(p.Values) > 0 || !startsNumber(t) {
		return ResolveValue(Operand{Name: t}, p)
	}
	q, err := ParseQuantity(t)
	if err != nil {
		return actions.Value{}, err
	}
	return ResolveValue(Operand{Quantity: q}, p)
}

func valueNames(p *actions.Point) string {
	names := make([]string, len(p.Values))
	for i, v := range p.Values {
		names[i] = v.Name
	}
	return strings.Join(names, ", ")
}

func inUnit(unit string) string {
	if unit == "" {
		return ""
	}
	return " in " + unit
}
