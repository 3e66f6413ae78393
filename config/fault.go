package config

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"unicode"
)

// A Fault is one thing that is wrong with the configuration.
type Fault struct {
	File string // "" where it does not come from the file
	Line int    // 1-based; 0: the file as a whole
	Col  int    // 1-based, in bytes
	Var  string // the environment variable, or the flag, that it comes from
	Key  string // with dots: "supply.limit"; "" for the file as a whole
	// Value is what stands there, as written and shortened; "" where there is nothing or where it may be a secret.
	Value string
	What  string // what is wrong, and what is allowed or what to do
}

// Error returns the fault in one line: where, what, what to do.
func (f Fault) Error() string {
	var b strings.Builder
	switch {
	case f.Var != "":
		b.WriteString(f.Var + ": ")
	case f.Line > 0:
		fmt.Fprintf(&b, "%s:%d: ", f.File, f.Line)
	case f.File != "":
		b.WriteString(f.File + ": ")
	}
	if f.Key != "" {
		b.WriteString(f.Key)
		if f.Value != "" {
			b.WriteString(" = " + f.Value)
		}
		b.WriteString(": ")
	}
	b.WriteString(f.What)
	return oneLine(b.String())
}

// oneLine makes text safe to print: keys and values may hold line breaks and what moves a terminal.
func oneLine(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == '\u2028' || r == '\u2029' {
			return '?'
		}
		return r
	}, strings.ToValidUTF8(s, "?"))
}

// An Error is every fault that was found, in the order of the file, those of the environment last.
type Error struct {
	Faults []Fault
}

// Error returns the faults, one a line.
func (e *Error) Error() string {
	lines := make([]string, len(e.Faults))
	for i, f := range e.Faults {
		lines[i] = f.Error()
	}
	return strings.Join(lines, "\n")
}

// inOrder sorts faults as a reader goes through the file, and drops repetitions.
func inOrder(faults []Fault) []Fault {
	slices.SortStableFunc(faults, func(a, b Fault) int {
		return cmp.Or(strings.Compare(a.Var, b.Var), a.Line-b.Line, a.Col-b.Col)
	})
	return slices.Compact(faults)
}
