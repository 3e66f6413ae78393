package config

import (
	"slices"
	"strings"
	"time"

	"spillway/actions"
	"spillway/actions/statement"
)

// chargerLasts is the longest that a charger is given a limit for, where lasts is not written: longer than nearly every
// window, so that a window becomes one charging profile with a start and an end.
const chargerLasts = 24 * time.Hour

// leastTurns is how many of the link's spacings a value must last at least: it is renewed when two fifths are over, and
// there must be room for more tries.
const leastTurns = 5

// terms are what stands for the end of a value in an address.
func terms() []string { return []string{"{seconds}", "{minutes}", "{until}"} }

// lasts reads how long the box keeps a value, and where it is told so. s is the table of a write address.
func (s section) lasts(link *actions.Link, p *actions.Point, a *actions.Address) {
	if s.given("timer") && link.Protocol == "modbus" {
		a.Timer = s.timer(p, a)
	}
	says := a.Timer != nil || slices.ContainsFunc(terms(), func(t string) bool { return strings.Contains(written(a), t) })
	if !s.given("lasts") {
		if says {
			s.fail("", "says how long the value lasts: write lasts = \"30m\" too, the longest that the box is given it for")
		}
		return
	}
	a.Lasts = s.duration("lasts", time.Second)
	switch least := leastTurns * link.Spacing; {
	case a.Lasts > 0 && a.Lasts < least:
		s.fail("lasts", "is too short to be renewed in time: %s at least, five times the link's spacing", statement.FormatDuration(least))
	case strings.Contains(written(a), "{minutes}") && a.Lasts%time.Minute != 0:
		s.fail("lasts", "is told in minutes: write whole ones")
	}
}

// written returns all of a text address that is sent.
func written(a *actions.Address) string {
	all := a.Path + a.Body + strings.Join(a.Args, " ")
	for _, v := range a.Headers {
		all += v
	}
	return all
}

// timer reads the register that takes the time: a name in the same SunSpec model, or an address of its own.
func (s section) timer(p *actions.Point, a *actions.Address) *actions.Register {
	if t, isTable := s.sub("timer"); isTable {
		r := t.register(p)
		if r.Table == "coil" || r.Type == "string" || r.Bit >= 0 {
			t.fail("", "takes a number of seconds: write { holding = 23, type = \"uint16\" }")
		}
		return r
	}
	name := s.text("timer")
	if a.Register == nil || a.Register.Model == 0 {
		s.fail("timer", "is a name in a SunSpec model only: write { holding = 23, type = \"uint16\" }")
		return nil
	}
	return &actions.Register{Model: a.Register.Model, Nth: a.Register.Nth, Name: name, Bit: -1, Scale: 1}
}
