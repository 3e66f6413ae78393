package settle

import (
	"fmt"
	"math/big"
	"strings"
	"time"
)

// statement tells the case in words, so that someone who was not there can do the sums again.
func (c *Case) statement() string {
	s := &writer{zone: c.Zone}
	w := c.Result.Window
	s.line("Settlement of %q, %s", short(w.Title), When(w.Start, w.End, c.Zone))
	s.line("Window %s, procedure %s (%s); written %s", w.ID, w.Procedure, orNone(string(c.Result.Direction)), utc(c.Made))
	s.line("Times are those of %s. Energies are exact in the sums and shown to a millionth of a kWh.", c.Zone)
	c.sayEvent(s)
	c.sayTerms(s)
	c.sayDays(s)
	c.sayAdjustment(s)
	c.saySums(s)
	c.sayCredit(s)
	s.list("Problems", c.Result.Problems)
	c.sayFiles(s)
	return s.String()
}

func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// A writer gathers lines.
type writer struct {
	strings.Builder
	zone *time.Location
}

func (s *writer) line(format string, args ...any) { fmt.Fprintf(s, format+"\n", args...) }

func (s *writer) head(title string) { s.line("\n%s", title) }

func (s *writer) list(title string, lines []string) {
	if len(lines) == 0 {
		return
	}
	s.head(title)
	for _, l := range lines {
		s.line("  - %s", l)
	}
}

func (s *writer) clock(t time.Time) string { return t.In(s.zone).Format("Mon 2 Jan 2006 15:04:05 MST") }

func orNone(s string) string {
	if s == "" {
		return "none"
	}
	return s
}

func (c *Case) sayEvent(s *writer) {
	s.head("The event")
	e := &c.Event
	switch {
	case len(e.Text) > 0:
		s.line("  As received, byte for byte: event.ics, from %s", e.Name)
		if !e.Read.IsZero() {
			s.line("  The copy it is from was fetched %s", s.clock(e.Read))
		}
		s.line("  SHA-256 of the whole copy: %s", e.SHA256)
	case e.Name != "":
		s.line("  %s no longer holds it", e.Name)
	default:
		s.line("  No calendar that was read holds it")
	}
	if !e.FirstSeen.IsZero() {
		s.line("  First known %s; hash of what was remembered of it: %s", s.clock(e.FirstSeen), e.Hash)
	}
}

func (c *Case) sayTerms(s *writer) {
	s.head("The terms")
	if c.Result.Terms == nil {
		s.line("  None apply on that day")
		return
	}
	if !c.Result.Terms.Since.IsZero() {
		s.line("  - in force since %s", DateOf(c.Result.Terms.Since, c.Zone))
	}
	for _, part := range c.Result.Terms.Words() {
		s.line("  - %s", part)
	}
}

func (c *Case) sayDays(s *writer) {
	if len(c.Result.Considered) == 0 {
		return
	}
	s.head("The days looked at, newest first")
	for _, d := range c.Result.Considered {
		what := d.Why
		switch {
		case d.Used:
			what = "averaged, " + millionth(d.KWh)
		case d.KWh != nil:
			what += ", " + millionth(d.KWh)
		}
		s.line("  %s %s  %s", d.Date.Weekday().String()[:3], d.Date, what)
	}
}

// millionth writes an energy to a millionth of a kWh.
func millionth(r *big.Rat) string {
	if r == nil {
		return "unknown"
	}
	return halfEven(r, 6).StringFixed(6) + " kWh"
}

func (c *Case) sayAdjustment(s *writer) {
	a := c.Result.Adjustment
	if a == nil {
		return
	}
	s.head("The adjustment by the same day's use")
	s.line("  From %s to %s the meter showed %s; the like days used %s", s.clock(a.From), s.clock(a.To), millionth(a.Metered), millionth(a.Baseline))
	switch {
	case a.Interval != nil:
		s.line("  Added to each whole interval: %s", millionth(a.Interval))
	case a.Scale != nil:
		s.line("  Metered to baseline: %s; the baseline is multiplied by %s", text(a.Ratio, 9), text(a.Scale, 9))
	}
}

func (c *Case) saySums(s *writer) {
	s.head("The sums")
	if c.Result.Method != "" {
		s.line("  Baseline: %s", c.Result.Method)
	}
	row := func(name string, metered, baseline, gain *big.Rat) {
		s.line("  %-13s  metered %16s  baseline %16s  gain %16s", name, millionth(metered), millionth(baseline), millionth(gain))
	}
	for _, slot := range c.Result.Slots {
		row(slot.Start.In(c.Zone).Format("15:04")+"-"+slot.End.In(c.Zone).Format("15:04"), slot.Metered, slot.Baseline, slot.Gain)
	}
	row("the window", c.Result.Metered, c.Result.Baseline, c.Result.Gain)
	if made := madeLine(c.Result.Made, c.Result.Peak); made != "" {
		s.line("  Made, %s", made)
	}
	if r := c.Result.Likely; r != nil {
		s.line("  Were each like day the baseline by itself, the gain would be %s to %s (the tenth to the ninetieth of a hundred)", millionth(r.Low), millionth(r.High))
	}
}

func (c *Case) sayCredit(s *writer) {
	r := &c.Result
	s.head("The credit")
	switch {
	case r.Credit == nil:
		s.line("  Unknown")
	case r.Rate != nil:
		s.line("  %s at %s %s/kWh, rounded half to even: %s", millionth(r.Gain), r.Rate, r.Currency, amount(r))
	default:
		s.line("  By the rate of each interval, rounded half to even: %s", amount(r))
	}
	if !r.ExpectedBy.IsZero() {
		s.line("  Due by %s", s.clock(r.ExpectedBy))
	}
	if r.Recorded != nil {
		s.line("  Came: %s %s", r.Recorded, r.Currency)
	}
	if r.Difference != nil {
		s.line("  Difference: %s %s", r.Difference, r.Currency)
	}
	s.line("  Standing: %s", r.Payment(c.Made))
}

func (c *Case) sayFiles(s *writer) {
	var sources []string
	for _, x := range c.Sources {
		line := x.Name
		if x.SHA256 != "" {
			line += ", SHA-256 " + x.SHA256
		}
		if !x.Read.IsZero() {
			line += ", fetched " + s.clock(x.Read)
		}
		sources = append(sources, line)
	}
	s.list("What the figures were made from", sources)
	s.list("In this folder", []string{
		"settlement.json: the settlement, with every figure to twelve decimals",
		"intervals.csv: the same by interval",
		"days.csv: each day looked at, why it counts or not, and its use in each interval of the window",
		"meter.csv: the meter's readings of all those days, gaps included",
		"switching.csv: what was done for the window (" + counted(len(c.Log), "line") + ")",
		"SHA256SUMS: the hash of each file",
	})
}
