package statement

import (
	"fmt"
	"strings"
	"time"
	"unicode"

	"spillway/actions"
)

// Raw is a statement as written, before anyone has asked whether its points exist.
type Raw struct {
	Text  string // as written
	Point actions.Ref
	Col   int // of the point
	Value Operand
	From  *Span
	For   *Span
	Wait  *Span
	Guard *RawGuard
}

// An Operand is the right-hand side of a statement or a guard: a word where Name is not "", else a number.
type Operand struct {
	Col      int
	Name     string
	Quantity Quantity
}

// String returns the operand as written in a statement.
func (o Operand) String() string {
	if o.Name != "" {
		return o.Name
	}
	return o.Quantity.String()
}

// A Span is a duration and where it stands.
type Span struct {
	Col int
	Of  time.Duration
}

// A RawGuard is what follows "if".
type RawGuard struct {
	Point actions.Ref
	Col   int // of the point
	Op    string
	Value Operand
}

// Parse reads one statement. Its errors are of type [*Error].
func Parse(text string) (Raw, error) {
	p := &parser{text: text, left: scan(text)}
	r := Raw{Text: strings.TrimSpace(text)}
	var err error
	if r.Point, r.Col, err = p.point(); err != nil {
		return Raw{}, err
	}
	if t := p.next(); t.text != "=" {
		return Raw{}, p.fault(t, "write = after %s", r.Point)
	}
	if r.Value, err = p.operand("= "); err != nil {
		return Raw{}, err
	}
	for !p.peek().end {
		if err := p.clause(&r); err != nil {
			return Raw{}, err
		}
	}
	return r, nil
}

type parser struct {
	text string
	left []token // the last one is the end and is never taken
}

func (p *parser) peek() token { return p.left[0] }

func (p *parser) next() token {
	t := p.left[0]
	if !t.end {
		p.left = p.left[1:]
	}
	return t
}

func (p *parser) fault(t token, format string, args ...any) *Error {
	return &Error{Text: p.text, Col: t.col, What: fmt.Sprintf(format, args...)}
}

// clause reads one of the parts that may follow the value.
func (p *parser) clause(r *Raw) (err error) {
	t := p.next()
	var span **Span
	switch t.text {
	case "from":
		span = &r.From
	case "for":
		span = &r.For
	case "wait":
		span = &r.Wait
	case "if":
		if r.Guard != nil {
			return p.fault(t, "if stands twice: once at most")
		}
		r.Guard, err = p.guard()
		return err
	default:
		return p.fault(t, "%q does not belong here: from OFFSET, for DURATION, wait DURATION or if device.point OP value", t.text)
	}
	if *span != nil {
		return p.fault(t, "%s stands twice: once at most", t.text)
	}
	*span, err = p.span(t.text)
	return err
}

// span reads a duration, of which "1h 30m" is one.
func (p *parser) span(after string) (*Span, error) {
	first := p.peek()
	if first.end || first.op || isKeyword(first.text) {
		return nil, p.fault(first, "a duration is missing after %s: for instance 25m", after)
	}
	text := p.next().text
	for !p.peek().end && !p.peek().op && !isKeyword(p.peek().text) {
		text += " " + p.next().text
	}
	d, err := ParseDuration(text)
	if err != nil {
		return nil, p.fault(first, "%v", err)
	}
	return &Span{first.col, d}, nil
}

func (p *parser) guard() (*RawGuard, error) {
	g := &RawGuard{}
	var err error
	if g.Point, g.Col, err = p.point(); err != nil {
		return nil, err
	}
	op := p.next()
	switch op.text {
	case "=", "!=", "<", "<=", ">", ">=":
		g.Op = op.text
	default:
		return nil, p.fault(op, "write one of = != < <= > >= after %s", g.Point)
	}
	g.Value, err = p.operand(op.text + " ")
	return g, err
}

// operand reads a word, or a number with the unit that may stand apart from it.
func (p *parser) operand(after string) (Operand, error) {
	t := p.next()
	if t.end || t.op {
		return Operand{}, p.fault(t, "a value is missing after %s", strings.TrimSpace(after))
	}
	if !startsNumber(t.text) {
		if i := strings.IndexFunc(t.text, notInName); i >= 0 {
			return Operand{}, p.fault(t, "%q is neither a number nor a name: names are lower case with underscores", t.text)
		}
		return Operand{Col: t.col, Name: t.text}, nil
	}
	text := t.text
	if u := p.peek(); numberLen(text) == len(text) && !u.end && !u.op && !isKeyword(u.text) {
		text += " " + p.next().text
	}
	q, err := ParseQuantity(text)
	if err != nil {
		return Operand{}, p.fault(t, "%v", err)
	}
	return Operand{Col: t.col, Quantity: q}, nil
}

// point reads "device.point".
func (p *parser) point() (actions.Ref, int, error) {
	t := p.next()
	if t.end || t.op {
		return actions.Ref{}, 0, p.fault(t, "a point is missing: write device.point = value")
	}
	ref, err := actions.ParseRef(t.text)
	if err != nil {
		return actions.Ref{}, 0, p.fault(t, "%v", err)
	}
	for _, name := range []string{ref.Device, ref.Point} {
		if strings.IndexFunc(name, notInName) >= 0 {
			return actions.Ref{}, 0, p.fault(t, "%q is no name: names are lower case with underscores", name)
		}
	}
	return ref, t.col, nil
}

func notInName(r rune) bool {
	return r != '_' && (r > unicode.MaxASCII || !unicode.IsLower(r) && !unicode.IsDigit(r))
}

func isKeyword(s string) bool {
	return s == "from" || s == "for" || s == "wait" || s == "if"
}
