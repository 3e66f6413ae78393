package config

import (
	"strconv"
	"time"

	"spillway/actions"
)

// adjustCap reads a share from 0 to 1, or "none", which is below zero.
func (s section) adjustCap() float64 {
	if v, ok := s.get("adjust_cap").string(); ok && v == "none" {
		return -1
	}
	return s.number("adjust_cap", 0, 1)
}

// moreTerms reads what DESIGN's table of settlement keys does not have.
func (s section) moreTerms(t *actions.Terms) {
	if t.LeaveOut = s.text("leave_out"); t.LeaveOut != "" {
		s.known(s.node("leave_out"), join(s.path, "leave_out"), "feed", t.LeaveOut, s.l.all.feeds)
	}
	if s.given("figures") {
		t.Figures = s.l.path(s.text("figures"))
	}
	if kwh, ok := s.quantity("fixed", "kWh"); ok {
		if kwh < 0 {
			s.fail("fixed", "is below zero, which no baseline is")
		}
		t.Fixed = strconv.FormatFloat(kwh, 'f', -1, 64)
	}
	t.SameDay = s.sameDay()
	s.timedRates(t)
	if given := count(t.Fixed != "", t.Figures != "", t.SameDay != nil); given > 1 {
		s.fail("", "has more than one baseline: one of fixed, figures and same_day")
	}
}

func count(all ...bool) (n int) {
	for _, b := range all {
		if b {
			n++
		}
	}
	return n
}

// sameDay reads the stretches before and after the window that make its baseline; nil where none is given.
func (s section) sameDay() *actions.SameDay {
	t, given := s.sub("same_day")
	if !given {
		if s.given("same_day") {
			s.fail("same_day", "is a table: write { before = [\"4h\", \"1h\"] }")
		}
		return nil
	}
	d := &actions.SameDay{}
	d.BeforeFrom, d.BeforeTo = t.stretch("before")
	d.AfterFrom, d.AfterTo = t.stretch("after")
	switch {
	case t.given("before") && d.BeforeFrom <= d.BeforeTo:
		t.fail("before", "is no stretch: it counts back, so the longer comes first, [\"4h\", \"1h\"]")
	case t.given("after") && d.AfterTo <= d.AfterFrom:
		t.fail("after", "is no stretch: the shorter comes first, [\"1h\", \"3h\"]")
	case !t.given("before") && !t.given("after"):
		t.fail("", "is empty: write before, after or both")
	}
	return d
}

// stretch reads a list of two durations.
func (s section) stretch(name string) (from, to time.Duration) {
	texts, nodes := s.list(name)
	if s.given(name) && len(texts) != 2 {
		s.fail(name, "is a list of two durations: write [\"4h\", \"1h\"]")
		return 0, 0
	}
	for i, to := range []*time.Duration{&from, &to}[:len(texts)] {
		*to = s.durationOf(nodes[i], name, 0)
	}
	return from, to
}

// timedRates reads the rates of times of day.
func (s section) timedRates(t *actions.Terms) {
	n := s.node("rates")
	if n == nil {
		return
	}
	path := join(s.path, "rates")
	for _, item := range n.items {
		if item.shape != table {
			s.failAt(item, path, "is a list of tables%s", s.such("rates"))
			continue
		}
		r := section{l: s.l, path: path, at: item, vals: branch(item, s.l.keys.at(splitPath(path)))}
		for _, key := range []string{"from", "to", "rate"} {
			r.required(key)
		}
		amount, currency := r.rate("rate")
		if t.Currency == "" {
			t.Currency = currency
		} else if currency != "" && currency != t.Currency {
			r.fail("rate", "is not in %s like the others", t.Currency)
		}
		t.Rates = append(t.Rates, actions.TimedRate{From: sinceMidnight(r.clock("from")), To: sinceMidnight(r.clock("to")), Rate: amount})
	}
	if n.shape != array || len(n.items) == 0 {
		s.fail("rates", "is a list of tables%s", s.such("rates"))
	}
}

// sinceMidnight turns a checked HH:MM into a duration.
func sinceMidnight(clock string) time.Duration {
	t, err := time.Parse("15:04", clock)
	if err != nil {
		return 0
	}
	return time.Duration(t.Hour())*time.Hour + time.Duration(t.Minute())*time.Minute
}
