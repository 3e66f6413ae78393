package config

import (
	"slices"
	"time"

	"github.com/pelletier/go-toml/v2"

	"spillway/actions"
	"spillway/actions/statement"
)

// settlement reads a procedure's terms: one table, or several with since.
func (s section) settlement(zone *time.Location) []actions.Terms {
	sections := s.termSections()
	var all []actions.Terms
	for _, t := range sections {
		all = append(all, t.terms(zone))
	}
	for i, t := range sections {
		switch {
		case len(sections) > 1 && !t.given("since") && slices.ContainsFunc(all[:i], func(a actions.Terms) bool { return a.Since.IsZero() }):
			t.fail("since", "is missing: only one of several terms may do without")
		case t.given("since") && slices.ContainsFunc(all[:i], func(a actions.Terms) bool { return a.Since.Equal(all[i].Since) }):
			t.fail("since", "is that of other terms too")
		}
	}
	slices.SortStableFunc(all, func(a, b actions.Terms) int { return a.Since.Compare(b.Since) })
	return all
}

func (s section) termSections() []section {
	if t, ok := s.sub("settlement"); ok {
		return []section{t}
	}
	n := s.node("settlement")
	if n == nil {
		return nil
	}
	var all []section
	for _, item := range n.items {
		if item.shape != table {
			s.failAt(item, join(s.path, "settlement"), "is a list of tables: write [[%s.settlement]] above each", s.path)
			continue
		}
		t := s.l.keys.at(splitPath(join(s.path, "settlement")))
		all = append(all, section{l: s.l, path: join(s.path, "settlement"), at: item, vals: branch(item, t)})
	}
	if len(n.items) == 0 {
		s.fail("settlement", "is a table: write [%s.settlement]", s.path)
	}
	return all
}

// terms reads one set of terms.
func (s section) terms(zone *time.Location) actions.Terms {
	t := actions.Terms{
		Since:       s.date("since", zone),
		Days:        s.count("days", 1, 366),
		DaysOff:     s.count("days_off", 1, 366),
		Keep:        s.count("keep", 1, 366),
		Pick:        s.choice("pick", "all", "highest", "middle", "lowest"),
		Like:        s.choice("like", "workday", "weekday", "every"),
		Holidays:    s.text("holidays"),
		LookBack:    s.duration("look_back", 24*time.Hour),
		Fewest:      s.count("fewest", 1, 366),
		Adjust:      s.choice("adjust", "none", "add", "scale"),
		AdjustFrom:  s.duration("adjust_from", 0),
		AdjustTo:    s.duration("adjust_to", 0),
		AdjustCap:   s.adjustCap(),
		AdjustOnly:  s.choice("adjust_only", "up"),
		Floor:       s.choice("floor", "interval", "window", "none"),
		CreditAfter: s.duration("credit_after", 0),
	}
	t.Rate, t.Currency = s.rate("rate")
	s.moreTerms(&t)
	if t.Holidays != "" {
		s.known(s.node("holidays"), join(s.path, "holidays"), "feed", t.Holidays, s.l.all.feeds)
	}
	s.agree(&t)
	return t
}

// agree checks terms against one another.
func (s section) agree(t *actions.Terms) {
	if t.AdjustFrom <= t.AdjustTo && t.Adjust != "none" {
		s.fail("adjust_from", "is not before adjust_to: both count back from the window's start")
	}
	if t.LookBack%(24*time.Hour) != 0 {
		s.fail("look_back", "is in whole days")
	}
	fewest := t.Days
	if t.Like == "workday" {
		fewest = min(t.Days, t.DaysOff)
	}
	switch {
	case t.Fewest <= fewest || fewest == 0:
	case s.given("fewest"):
		s.fail("fewest", "is above the %d days that are averaged: no window would ever have a figure", fewest)
	default:
		t.Fewest = fewest
	}
	if s.given("keep") && t.Pick == "all" {
		s.note("keep", "is ignored by pick = \"all\"")
	}
	if s.given("adjust_cap") && t.Adjust != "scale" && t.Adjust != "" {
		s.note("adjust_cap", "counts for adjust = \"scale\" only")
	}
	if t.Rate == "" && len(t.Rates) == 0 && !s.given("rate") {
		s.note("rate", "is not given: the gain is worked out and no credit")
	}
}

// date reads a day, as its first instant in zone.
func (s section) date(name string, zone *time.Location) time.Time {
	n := s.node(name)
	if n == nil {
		return time.Time{}
	}
	switch v := n.value.(type) {
	case toml.LocalDate:
		return v.AsTime(zone)
	case string:
		if t, err := time.ParseInLocation(time.DateOnly, v, zone); err == nil {
			return t
		}
	}
	s.fail(name, "is a day: write %s = 2026-01-01, without quotes", name)
	return time.Time{}
}

func (s section) rate(name string) (amount, currency string) {
	n := s.node(name)
	if n == nil {
		return "", ""
	}
	if x, bare := n.number(); bare && !n.loose {
		s.fail(name, "a bare number needs its currency: write %s = \"%s GBP/kWh\"", name, plain(x))
		return "", ""
	}
	v := s.text(name)
	if v == "" {
		return "", ""
	}
	r, err := statement.ParseRate(v)
	if err != nil {
		s.fail(name, "%v", err)
	}
	return r.Amount, r.Currency
}
