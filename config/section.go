package config

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"spillway/actions/statement"
)

// A section is one table of the merged configuration, with readers for its keys. A reader that cannot make sense of a
// value records a fault and returns zero, so that everything else is still looked at.
type section struct {
	l    *loader
	path string
	at   *node // where the table begins
	vals map[string]any
}

// sub returns the table below s; given tells whether it is there.
func (s section) sub(name string) (sub section, given bool) {
	vals, ok := s.vals[name].(map[string]any)
	sub = section{l: s.l, path: join(s.path, name), at: s.at, vals: vals}
	if n, isNode := vals[self].(*node); isNode {
		sub.at = n
	}
	return sub, ok
}

// each calls do for every table below s, by name.
func (s section) each(name string, do func(name string, sub section)) {
	tables, _ := s.sub(name)
	for _, key := range tables.names() {
		if sub, ok := tables.sub(key); ok {
			do(key, sub)
		}
	}
}

// names lists what is written in the table.
func (s section) names() []string {
	var all []string
	for key := range s.vals {
		if key != self {
			all = append(all, key)
		}
	}
	slices.Sort(all)
	return all
}

// node returns what is written for a key, or nil. For a table it is where the table begins.
func (s section) node(name string) *node {
	switch v := s.vals[name].(type) {
	case *node:
		return v
	case map[string]any:
		n, _ := v[self].(*node)
		return n
	}
	return nil
}

// given reports whether a key is written.
func (s section) given(name string) bool { return s.vals[name] != nil }

// fail records a fault at a key, or at the table where the key is not written.
func (s section) fail(name, format string, args ...any) {
	n := s.node(name)
	if n == nil {
		s.l.fault(s.at, join(s.path, name), "", format, args...)
		return
	}
	s.failAt(n, join(s.path, name), format, args...)
}

func (s section) failAt(n *node, path, format string, args ...any) {
	shown := n.shown()
	if t := s.l.keys.at(splitPath(path)); t != nil && t.key != nil && t.key.secret {
		shown = ""
	}
	s.l.fault(n, path, shown, format, args...)
}

// note records something worth a word that is no fault.
func (s section) note(name, format string, args ...any) {
	s.l.notices = append(s.l.notices, Notice{Key: join(s.path, name), What: fmt.Sprintf(format, args...)})
}

// get returns what is written for a key or else its default; nil where there is neither.
func (s section) get(name string) *node {
	if n := s.node(name); n != nil {
		return n
	}
	t := s.l.keys.at(splitPath(join(s.path, name)))
	if t == nil || t.key == nil || t.key.def == "" {
		return nil
	}
	tree, _ := parse([]byte("x = "+t.key.def), s.at.place)
	return tree.keys[0]
}

// text reads a string; "" where there is none.
func (s section) text(name string) string {
	n := s.get(name)
	if n == nil {
		return ""
	}
	v, ok := n.string()
	switch {
	case !ok:
		s.fail(name, "is text: write it between quotes")
	case strings.TrimSpace(v) == "" && s.given(name):
		s.fail(name, "is empty: write a value or leave the key out")
	case strings.ContainsAny(v, "\x00\r\n") && name != "body":
		s.fail(name, "has a line break in it: write one line")
	}
	return v
}

// required reads a string that must be there.
func (s section) required(name string) string {
	if !s.given(name) {
		s.fail(name, "is missing%s", s.such(name))
		return ""
	}
	return s.text(name)
}

// such returns ": write for instance name = example".
func (s section) such(name string) string {
	t := s.l.keys.at(splitPath(join(s.path, name)))
	if t == nil || t.key == nil || t.key.sample() == "" {
		return ""
	}
	return fmt.Sprintf(": write for instance %s = %s", name, t.key.sample())
}

// choice reads one of several words.
func (s section) choice(name string, words ...string) string {
	v := s.text(name)
	if v != "" && !slices.Contains(words, v) {
		s.fail(name, "is none of %s%s", strings.Join(words, ", "), meant(v, words))
		return ""
	}
	return v
}

// truth reads true or false.
func (s section) truth(name string) bool {
	n := s.get(name)
	if n == nil {
		return false
	}
	v, ok := n.bool()
	if !ok {
		s.fail(name, "is true or false, without quotes")
	}
	return v
}

// number reads a bare number between two bounds, both inclusive.
func (s section) number(name string, least, most float64) float64 {
	n := s.get(name)
	if n == nil {
		return 0
	}
	v, ok := n.number()
	switch {
	case !ok:
		s.fail(name, "is to be a bare number%s", s.such(name))
		return 0
	case !(v >= least && v <= most):
		s.fail(name, "is out of bounds: %s to %s", plain(least), plain(most))
		return 0
	}
	return v
}

func plain(x float64) string { return statement.Quantity{Number: x}.String() }

// count reads a whole number between two bounds, both inclusive.
func (s section) count(name string, least, most int) int {
	before := len(s.l.faults)
	v := s.number(name, float64(least), float64(most))
	if v != float64(int(v)) {
		s.fail(name, "is a whole number")
	}
	if len(s.l.faults) > before {
		return 0
	}
	return int(v)
}

// duration reads a length of time of at least least.
func (s section) duration(name string, least time.Duration) time.Duration {
	n := s.get(name)
	if n == nil {
		return 0
	}
	return s.durationOf(n, name, least)
}

// durationOf reads a length of time that stands at, or in the list at, a key.
func (s section) durationOf(n *node, name string, least time.Duration) time.Duration {
	path := join(s.path, name)
	if x, isBare := n.number(); isBare {
		s.failAt(n, path, "a bare number needs its unit: write for instance %s = \"%s%s\"", name, plain(x), s.usual(name, "s"))
		return 0
	}
	v, ok := n.string()
	if !ok {
		s.failAt(n, path, "is a duration%s", s.such(name))
		return 0
	}
	d, err := statement.ParseDuration(v)
	switch {
	case err != nil:
		s.failAt(n, path, "%v", err)
		return 0
	case d < least:
		s.failAt(n, path, "is too short: %s at least", statement.FormatDuration(least))
		return 0
	}
	return d
}

// usual returns the unit in which the example of a key is written, or else unit.
func (s section) usual(name, unit string) string {
	t := s.l.keys.at(splitPath(join(s.path, name)))
	if t == nil || t.key == nil {
		return unit
	}
	sample := strings.Trim(t.key.sample(), `"`)
	if u := strings.TrimLeft(sample, "0123456789. "); u != "" && u != sample {
		return u
	}
	return unit
}

// quantity reads a number with a unit that converts to unit; ok is false where there is none or it is no good.
func (s section) quantity(name, unit string) (x float64, ok bool) {
	n := s.get(name)
	if n == nil {
		return 0, false
	}
	return s.quantityOf(n, join(s.path, name), unit)
}

func (s section) quantityOf(n *node, path, unit string) (x float64, ok bool) {
	q, ok := s.quantityAt(n, path, unit)
	if !ok {
		return 0, false
	}
	x, err := q.In(unit)
	if err != nil {
		s.failAt(n, path, "%v", err)
		return 0, false
	}
	return x, true
}

// quantityAt reads a number with any unit; unit is the one that the cure names.
func (s section) quantityAt(n *node, path, unit string) (statement.Quantity, bool) {
	name := path[strings.LastIndexByte(path, '.')+1:]
	if x, isBare := n.number(); isBare {
		usual := s.usual(name, unit)
		if x >= 100 {
			usual = strings.TrimPrefix(usual, "k") // 5 is rather meant in kW, 5000 in W
		}
		s.failAt(n, path, "a bare number needs its unit: write for instance %s = %q", name, statement.Quantity{Number: x, Unit: usual})
		return statement.Quantity{}, false
	}
	v, ok := n.string()
	if !ok {
		s.failAt(n, path, "is a number with its unit, between quotes: write %s = %q", name, statement.Quantity{Number: 1, Unit: unit})
		return statement.Quantity{}, false
	}
	q, err := statement.ParseQuantity(v)
	if err != nil {
		s.failAt(n, path, "%v", err)
		return statement.Quantity{}, false
	}
	return q, true
}

// positive reads a quantity above zero; zero where there is none.
func (s section) positive(name, unit string) float64 {
	x, ok := s.quantity(name, unit)
	if ok && x <= 0 {
		s.fail(name, "is not above zero")
		return 0
	}
	return x
}

// list reads an array of strings, with their nodes.
func (s section) list(name string) (texts []string, nodes []*node) {
	n := s.get(name)
	if n == nil {
		return nil, nil
	}
	if n.shape != array {
		s.fail(name, "is a list%s", s.such(name))
		return nil, nil
	}
	for _, item := range n.items {
		v, ok := item.string()
		if !ok || strings.TrimSpace(v) == "" {
			s.failAt(item, join(s.path, name), "is a list of texts: write each between quotes")
			continue
		}
		texts, nodes = append(texts, v), append(nodes, item)
	}
	return texts, nodes
}

// known reports whether what a key names exists, and complains where it does not.
func (s section) known(n *node, path, what, name string, names []string) bool {
	if slices.Contains(names, name) {
		return true
	}
	hint := meant(name, names)
	if hint == "" && len(names) > 0 && len(names) <= 12 {
		hint = ": " + strings.Join(names, ", ")
	}
	s.failAt(n, path, "there is no %s %s%s", what, name, hint)
	return false
}
