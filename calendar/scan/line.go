package scan

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	ics "github.com/arran4/golang-ical"
)

// A Prop is a content line, split. Its bytes belong to the body unless the line was folded or quoted.
type Prop struct {
	Name   []byte // as written, blanks around it left out
	Value  []byte // as written: TEXT is still escaped
	params []param
	room   [4]param
}

type param struct{ name, value []byte }

// Reasons why a line cannot be read.
var (
	errNoColon  = errors.New("there is no colon")
	errLongLine = fmt.Errorf("the line is longer than %d octets", MaxLine)
	errParams   = fmt.Errorf("there are more than %d parameters", MaxParams)
	errName     = errors.New("there is no property name")
)

// Is reports whether the property has that name, given in upper case.
func (p *Prop) Is(name string) bool { return equalFold(p.Name, name) }

// Param returns the value of the parameter with that name, given in upper case, or nil. Of several values it returns
// them joined by commas.
func (p *Prop) Param(name string) []byte {
	for _, q := range p.params {
		if equalFold(q.name, name) {
			return q.value
		}
	}
	return nil
}

// equalFold compares ASCII without regard to case; upper is in upper case.
func equalFold(b []byte, upper string) bool {
	if len(b) != len(upper) {
		return false
	}
	for i := range b {
		c := b[i]
		if 'a' <= c && c <= 'z' {
			c -= 'a' - 'A'
		}
		if c != upper[i] {
			return false
		}
	}
	return true
}

// Split splits one logical line, still folded, into p, whose earlier content is lost. The value of a property with dates
// begins after the last colon: dates hold none, and some programs write a TZID with a colon without quotes.
func (p *Prop) Split(raw []byte) error {
	if len(raw) > MaxLine {
		return errLongLine
	}
	line := Unfold(raw)
	*p = Prop{}
	p.params = p.room[:0]
	colon, plain := colonOf(line)
	if colon < 0 {
		return errNoColon
	}
	if plain {
		if last := bytes.LastIndexByte(line, ':'); last > colon && hasDates(line) {
			colon = last
		}
	}
	p.Value = line[colon+1:]
	head := line[:colon]
	if bytes.Count(head, []byte{';'}) > MaxParams {
		return errParams
	}
	if !plain {
		return p.library(head)
	}
	name, rest, more := bytes.Cut(head, []byte{';'})
	p.Name = trim(name)
	if len(p.Name) == 0 {
		return errName
	}
	for more {
		var one []byte
		one, rest, more = bytes.Cut(rest, []byte{';'})
		name, value, _ := bytes.Cut(one, []byte{'='})
		if name = trim(name); len(name) > 0 { // ";;" and a name alone happen; they say nothing
			p.params = append(p.params, param{name, trim(value)})
		}
	}
	return nil
}

// hasDates reports whether the line's property holds dates.
func hasDates(line []byte) bool {
	for _, name := range []string{"DTSTART", "DTEND", "RECURRENCE-ID", "RDATE", "EXDATE"} {
		if named(line, name) {
			return true
		}
	}
	return false
}

// colonOf returns the index of the colon before the value, and whether the head before it is plain: nothing in it is
// quoted or escaped.
func colonOf(line []byte) (i int, plain bool) {
	quoted, plain := false, true
	for i, c := range line {
		switch c {
		case ':':
			if !quoted {
				return i, plain
			}
		case '"':
			quoted = !quoted
			plain = false
		case '\\', '^':
			plain = false
		}
	}
	return -1, false
}

// library splits a quoted or escaped head with golang-ical. It is given the head with an empty value: the library
// unescapes values by their type, and the lists among them cannot be told apart after that.
func (p *Prop) library(head []byte) error {
	b, err := ics.ParseProperty(ics.ContentLine(string(head) + ":"))
	if err != nil {
		return err
	}
	if b == nil || b.IANAToken == "" {
		return errName
	}
	p.Name = []byte(b.IANAToken)
	for _, k := range slices.Sorted(maps.Keys(b.ICalParameters)) {
		p.params = append(p.params, param{[]byte(k), []byte(uncaret(strings.Join(b.ICalParameters[k], ",")))})
	}
	return nil
}

// uncaret decodes RFC 6868.
func uncaret(s string) string {
	if !strings.Contains(s, "^") {
		return s
	}
	return strings.NewReplacer("^n", "\n", "^'", `"`, "^^", "^").Replace(s)
}

func trim(b []byte) []byte {
	for len(b) > 0 && (b[0] == ' ' || b[0] == '\t') {
		b = b[1:]
	}
	for len(b) > 0 && (b[len(b)-1] == ' ' || b[len(b)-1] == '\t') {
		b = b[:len(b)-1]
	}
	return b
}

// Unfold joins the physical lines of a logical one (RFC 5545 3.1), and leaves out the line end. Without a fold it returns
// a part of raw.
func Unfold(raw []byte) []byte {
	raw = cutEnd(raw)
	if bytes.IndexByte(raw, '\n') < 0 {
		return raw
	}
	out := make([]byte, 0, len(raw))
	for {
		line, rest, more := bytes.Cut(raw, []byte{'\n'})
		out = append(out, cutEnd(line)...)
		if !more {
			return out
		}
		if len(rest) > 0 { // the blank or tab of the fold
			rest = rest[1:]
		}
		raw = rest
	}
}

// cutEnd leaves out CR and LF at the end.
func cutEnd(b []byte) []byte {
	for len(b) > 0 && (b[len(b)-1] == '\n' || b[len(b)-1] == '\r') {
		b = b[:len(b)-1]
	}
	return b
}
