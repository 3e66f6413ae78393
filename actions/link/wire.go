package link

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/theory/jsonpath"

	"spillway/actions"
)

// Wire returns the wire form of v for p: what `values` gives for a name (a string, bool, int64 or float64), a float64
// in the point's unit for a number. The error is an [*Error] of class Impossible: a name the point does not have, a
// number where it takes names, or one outside its range. This is the last fence before a device, so it checks what the
// configuration and the planner have checked already.
func Wire(p *actions.Point, v actions.Value) (any, error) {
	switch {
	case !v.Known:
		return nil, impossible("%s: the value is not known", p.Ref)
	case v.Name != "":
		if n := p.Value(v.Name); n != nil {
			return n.Wire, nil
		}
		return nil, impossible("%s: %q is none of its values (%s)", p.Ref, v.Name, names(p))
	case len(p.Values) > 0:
		return nil, impossible("%s: %s is none of its values (%s)", p.Ref, v, names(p))
	case math.IsNaN(v.Number) || math.IsInf(v.Number, 0):
		return nil, impossible("%s: %v is no number to send", p.Ref, v.Number)
	case p.HasRange && (v.Number < p.Min || v.Number > p.Max):
		return nil, impossible("%s: %s is outside %s to %s %s", p.Ref, v, Text(p.Min), Text(p.Max), p.Unit)
	}
	return v.Number + 0, nil // + 0 makes a negative zero positive
}

// Text returns a wire form as text: a string as it is, a number in its shortest decimal form without an exponent.
func Text(wire any) string {
	switch w := wire.(type) {
	case string:
		return w
	case bool:
		return strconv.FormatBool(w)
	case int64:
		return strconv.FormatInt(w, 10)
	case float64:
		return strconv.FormatFloat(w, 'f', -1, 64)
	}
	return fmt.Sprint(wire)
}

// A Decoder turns what a box says about one point into its value. It keeps nothing between calls and is safe for
// concurrent use.
type Decoder struct {
	point *actions.Point
	pick  *jsonpath.Path // nil: the whole
}

// NewDecoder returns a decoder for p, which takes the part of a JSON document that pick (RFC 9535) finds, or the whole
// of a text where pick is "".
func NewDecoder(p *actions.Point, pick string) (*Decoder, error) {
	d := &Decoder{point: p}
	if pick == "" {
		return d, nil
	}
	path, err := jsonpath.Parse(pick)
	if err != nil {
		return nil, &Error{Class: Impossible, What: fmt.Sprintf("%s: pick %q is no JSONPath (RFC 9535)", p.Ref, pick), Err: err}
	}
	d.pick = path
	return d, nil
}

// Decode reads the value from b. Space around a text does not count. The error is an [*Error] of class Rubbish and shows
// a shortened sample.
func (d *Decoder) Decode(b []byte) (actions.Value, error) {
	b = bytes.TrimPrefix(b, []byte("\ufeff"))
	if d.pick == nil {
		return d.text(b)
	}
	var doc any
	if err := json.Unmarshal(b, &doc); err != nil {
		return actions.Value{}, d.rubbish("no JSON", b)
	}
	return d.Document(doc)
}

// Document is Decode for JSON that is parsed already, as encoding/json does into an any. It serves several points whose
// picks lie in one document.
func (d *Decoder) Document(doc any) (actions.Value, error) {
	if d.pick == nil {
		return d.json(doc)
	}
	found := d.pick.Select(doc)
	switch len(found) {
	case 0:
		return actions.Value{}, d.rubbish(fmt.Sprintf("nothing at %s", d.pick), compact(doc))
	case 1:
		return d.json(found[0])
	}
	return actions.Value{}, d.rubbish(fmt.Sprintf("%d values at %s, one is wanted", len(found), d.pick), compact(doc))
}

// Picks reports whether the decoder wants JSON.
func (d *Decoder) Picks() bool { return d.pick != nil }

// text decodes a bare text. A JSON string or scalar is taken for what it says: many boxes send "on" with its quotes.
func (d *Decoder) text(b []byte) (actions.Value, error) {
	s := strings.TrimSpace(string(bytes.TrimRight(b, "\x00")))
	if v, ok := d.match(s); ok {
		return v, nil
	}
	if strings.HasPrefix(s, `"`) {
		var unquoted string
		if json.Unmarshal([]byte(s), &unquoted) == nil {
			if v, ok := d.match(strings.TrimSpace(unquoted)); ok {
				return v, nil
			}
		}
	}
	var members map[string]any
	if strings.HasPrefix(s, "{") && json.Unmarshal([]byte(s), &members) == nil {
		return actions.Value{}, d.rubbish(d.wanted()+"; this is JSON, so it needs a pick"+d.likelyPick(members), b)
	}
	return actions.Value{}, d.rubbish(d.wanted()+d.otherCase(s), b)
}

// likelyPick names the one member of a JSON object that can be the point's value; "" where none can, or several.
func (d *Decoder) likelyPick(members map[string]any) string {
	found := ""
	for name, x := range members {
		text, _ := x.(string)
		if _, err := d.json(x); err != nil && d.otherCase(text) == "" {
			continue
		}
		pick := `$.` + name
		if _, err := jsonpath.Parse(pick); err != nil || found != "" {
			return ""
		}
		found = pick
	}
	if found == "" {
		return ""
	}
	return fmt.Sprintf(", such as pick = %q", found)
}

// otherCase says what to write where the box writes one of the point's names in other letters; "" where it does not.
func (d *Decoder) otherCase(s string) string {
	for _, n := range d.point.Values {
		if strings.EqualFold(Text(n.Wire), s) {
			return fmt.Sprintf("; letter case counts: say what is sent for each name, as values = { %s = %q, ... }", n.Name, s)
		}
	}
	return ""
}

// json decodes one JSON value. Numbers count whether they are JSON numbers or strings.
func (d *Decoder) json(x any) (actions.Value, error) {
	var s string
	switch x := x.(type) {
	case string:
		s = strings.TrimSpace(x)
	case bool, float64:
		s = Text(x)
	default:
		return actions.Value{}, d.rubbish(d.wanted(), compact(x))
	}
	if _, isBool := x.(bool); isBool && len(d.point.Values) == 0 {
		return actions.Value{}, d.rubbish(d.wanted(), compact(x))
	}
	if v, ok := d.match(s); ok {
		return v, nil
	}
	return actions.Value{}, d.rubbish(d.wanted()+d.otherCase(s), compact(x))
}

// match finds the named value whose wire form is s, or reads s as a number where the point has no names.
func (d *Decoder) match(s string) (actions.Value, bool) {
	x, isNumber := number(s)
	if len(d.point.Values) == 0 {
		return actions.Number(x), isNumber
	}
	for _, n := range d.point.Values {
		if Text(n.Wire) == s {
			return actions.Named(n.Name), true
		}
	}
	for _, n := range d.point.Values { // 1.0 is 1
		if w, ok := number(Text(n.Wire)); ok && isNumber && w == x {
			return actions.Named(n.Name), true
		}
	}
	return actions.Value{}, false
}

// FromNumber returns the value that a number read from a register stands for: the name whose wire form is that number
// (true is 1, false is 0), or the number itself where the point has no names.
func (d *Decoder) FromNumber(x float64) (actions.Value, error) {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return actions.Value{}, d.rubbish(d.wanted(), []byte(Text(x)))
	}
	if len(d.point.Values) == 0 {
		return actions.Number(x), nil
	}
	for _, n := range d.point.Values {
		if w, ok := AsNumber(n.Wire); ok && w == x {
			return actions.Named(n.Name), nil
		}
	}
	return actions.Value{}, d.rubbish(d.wanted(), []byte(Text(x)))
}

// AsNumber returns a wire form as the number that a register or a charging profile can carry: true is 1, false is 0, a
// string counts where it is a decimal number.
func AsNumber(wire any) (float64, bool) {
	switch w := wire.(type) {
	case bool:
		if w {
			return 1, true
		}
		return 0, true
	case int64:
		return float64(w), true
	case float64:
		return w, !math.IsNaN(w) && !math.IsInf(w, 0)
	case string:
		return number(w)
	}
	return 0, false
}

// number reads a plain decimal number: no hexadecimal, no infinity, no separators, which strconv would take.
func number(s string) (float64, bool) {
	if s == "" || len(s) > 64 || strings.Trim(s, "+-0123456789.eE") != "" {
		return 0, false
	}
	x, err := strconv.ParseFloat(s, 64)
	return x + 0, err == nil
}

func (d *Decoder) wanted() string {
	if len(d.point.Values) == 0 {
		return "no number"
	}
	return "none of " + names(d.point)
}

func (d *Decoder) rubbish(why string, b []byte) error {
	return &Error{Class: Rubbish, What: fmt.Sprintf("%s reads %s: %s", d.point.Ref, Sample(b), why)}
}

// Sample shows the beginning of what a box sent, quoted, printable and short enough for one line.
func Sample(b []byte) string {
	const most = 60
	if len(b) == 0 {
		return "nothing"
	}
	if len(b) <= most {
		return strconv.Quote(string(b))
	}
	return fmt.Sprintf("%s... (%d bytes)", strconv.Quote(beginning(string(b), most)), len(b))
}

// beginning returns at most the first most bytes of s, never cut through a letter.
func beginning(s string, most int) string {
	if len(s) <= most {
		return s
	}
	n := most
	for n > most-utf8.UTFMax && !utf8.RuneStart(s[n]) {
		n--
	}
	return s[:n]
}

// line makes s one printable line of a bearable length.
func line(s string) string {
	const most = 280
	clean := strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return ' '
		}
		return r
	}, s)
	if short := beginning(clean, most); len(short) < len(clean) {
		return short + "..."
	}
	return clean
}

func compact(x any) []byte {
	b, err := json.Marshal(x)
	if err != nil {
		return []byte(fmt.Sprint(x))
	}
	return b
}

// names lists what p takes, as names and wire forms, for an error.
func names(p *actions.Point) string {
	const most = 12
	var all []string
	for _, n := range p.Values {
		if len(all) == most {
			all = append(all, "...")
			break
		}
		form := n.Name
		if w := Text(n.Wire); w != n.Name {
			form += " = " + strings.Trim(Sample([]byte(w)), `"`)
		}
		all = append(all, form)
	}
	if len(all) == 0 {
		return "it takes numbers"
	}
	return strings.Join(all, ", ")
}

func impossible(format string, args ...any) error {
	return &Error{Class: Impossible, What: fmt.Sprintf(format, args...)}
}
