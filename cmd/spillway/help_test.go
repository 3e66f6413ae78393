package main

import (
	"strings"
	"testing"
	"unicode"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// Every command says in a line what it does, in a few more how, and shows a call; every flag says what it does and what it
// takes.
func TestEveryHelpIsWhole(t *testing.T) {
	root := (&app{}).root()
	seen := 0
	for _, c := range append([]*cobra.Command{root}, root.Commands()...) {
		if c.Name() == "help" || c.Name() == "completion" {
			continue
		}
		seen++
		if c.Long == "" || c.Example == "" {
			t.Errorf("%s: no long text, or no example", c.CommandPath())
		}
		if first := []rune(c.Short)[0]; !unicode.IsUpper(first) || strings.HasSuffix(c.Short, ".") {
			t.Errorf("%s: %q", c.CommandPath(), c.Short)
		}
		for line := range strings.Lines(c.Long) {
			if n := len([]rune(strings.TrimRight(line, "\n"))); n > 130 {
				t.Errorf("%s: a line of %d characters", c.CommandPath(), n)
			}
		}
		for line := range strings.Lines(c.Example) {
			if !strings.HasPrefix(line, "  spillway ") && line != "  spillway\n" {
				t.Errorf("%s: the example %q is no call", c.CommandPath(), line)
			}
		}
		c.Flags().VisitAll(func(f *pflag.Flag) {
			takes, usage := pflag.UnquoteUsage(f)
			if usage == "" || takes == "string" || takes == "uint" || takes == "float" || takes == "strings" {
				t.Errorf("%s: --%s %q takes %q", c.CommandPath(), f.Name, usage, takes)
			}
		})
	}
	if seen < 10 {
		t.Errorf("only %d commands were looked at", seen)
	}
}
