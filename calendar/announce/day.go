package announce

import (
	"fmt"
	"slices"
	"time"
)

// A dayText is a day as written.
type dayText struct {
	weekday    time.Weekday
	hasWeekday bool
	dates      []date // 1, or 2 where day and month can be taken either way; a zero year is not written
	dayOfMonth int    // alone: "Saturday the 5th"
	relative   bool
	ahead      int // days, where relative
	tonight    bool
}

// only reports whether nothing but a weekday is written.
func (d dayText) only() bool {
	return d.hasWeekday && len(d.dates) == 0 && d.dayOfMonth == 0 && !d.relative
}

// A date is a day of the calendar.
type date struct {
	year  int
	month time.Month
	day   int
}

// noon stands for a date where days are counted: no zone's clocks change then.
func (d date) noon() time.Time { return time.Date(d.year, d.month, d.day, 12, 0, 0, 0, time.UTC) }

func (d date) exists() bool {
	t := d.noon()
	return t.Year() == d.year && t.Month() == d.month && t.Day() == d.day
}

func (d date) String() string { return d.noon().Format("2 January 2006") }

func dateOf(t time.Time) date { y, m, d := t.Date(); return date{y, m, d} }

func (d date) plus(days int) date { return dateOf(d.noon().AddDate(0, 0, days)) }

// day recognises a day at token i.
func (p *parser) day(i int) (any, int, error) {
	for _, try := range []func(int) (dayText, int, error){p.isoDate, p.numericDate, p.dayMonth, p.monthDay, p.weekdayAlone, p.relativeDay} {
		d, to, err := try(i)
		if err != nil {
			return nil, i, err
		}
		if to > i {
			if p.at(i-1) == "not" || p.at(i-1) == "on" && p.at(i-2) == "not" {
				return nil, i, fmt.Errorf("it says when not (%q): give the day and time alone", p.quote(i-1, to))
			}
			return d, to, nil
		}
	}
	return nil, i, nil
}

// isoDate: 2026-12-05, 2026/12/05, 2026.12.05.
func (p *parser) isoDate(i int) (dayText, int, error) {
	y, s := p.num(i, 4, 4), p.at(i+1)
	m, d := p.num(i+2, 1, 2), p.num(i+4, 1, 2)
	if y < 0 || m < 0 || d < 0 || s != "-" && s != "/" && s != "." || p.at(i+3) != s || !p.glued(i+1) || !p.glued(i+2) || !p.glued(i+3) || !p.glued(i+4) {
		return dayText{}, i, nil
	}
	to := i + 5
	if p.at(to) == "t" && p.glued(to) && p.kind(to+1) == number {
		to++
	}
	when := date{y, time.Month(m), d}
	if m > 12 || !when.exists() {
		return dayText{}, i, fmt.Errorf("there is no day %s", p.quote(i, i+5))
	}
	return dayText{dates: []date{when}}, to, nil
}

// numericDate: 5/12/2026, 05.12.2026, 5-12-2026, 5/12. Dots put the day first; with others either may be.
func (p *parser) numericDate(i int) (dayText, int, error) {
	a, s, b := p.num(i, 1, 2), p.at(i+1), p.num(i+2, 1, 2)
	if a < 0 || b < 0 || s != "/" && s != "." && s != "-" || !p.glued(i+1) || !p.glued(i+2) || p.glued(i) && p.at(i-1) != "(" && p.at(i-1) != "," {
		return dayText{}, i, nil
	}
	y, to := 0, i+3
	if p.at(to) == s && p.glued(to) && p.glued(to+1) {
		if y = p.num(to+1, 4, 4); y < 0 {
			if p.num(to+1, 2, 2) < 0 {
				return dayText{}, i, nil
			}
			return dayText{}, i, fmt.Errorf("%q is a day in figures with a short year: write it as 5 December 2026", p.quote(i, to+2))
		}
		to += 2
	}
	if y == 0 && (s != "/" || a == 24 && b == 7 || slices.Contains([]string{"hour", "hours", "h", "price", "of", "off", "kwh"}, p.at(to))) {
		return dayText{}, i, nil
	}
	var d dayText
	for _, when := range []date{{y, time.Month(b), a}, {y, time.Month(a), b}} {
		probe := when
		if y == 0 {
			probe.year = 2000 // a leap year
		}
		if probe.month >= 1 && probe.month <= 12 && probe.exists() && !slices.Contains(d.dates, when) {
			d.dates = append(d.dates, when)
		}
		if s == "." {
			break
		}
	}
	if len(d.dates) == 0 {
		if y == 0 {
			return dayText{}, i, nil // a fraction, or a share
		}
		return dayText{}, i, fmt.Errorf("there is no day %s", p.quote(i, to))
	}
	return d, to, nil
}

// dayMonth: 5 December, 5th of Dec 2026.
func (p *parser) dayMonth(i int) (dayText, int, error) {
	d := p.num(i, 1, 2)
	if d < 0 {
		return dayText{}, i, nil
	}
	to := p.ordinal(i + 1)
	if p.at(to) == "of" {
		to++
	}
	if p.at(to) == "-" && p.glued(to) {
		to++ // 5-Dec-2026
	}
	m, ok := month(p.at(to))
	if !ok {
		return dayText{}, i, nil
	}
	if (p.at(i-1) == "-" || p.at(i-1) == "to" || p.at(i-1) == "and" || p.at(i-1) == "&" || p.at(i-1) == "or") && p.num(i-2, 1, 2) > 0 && !p.isTime(i-2) {
		return dayText{}, i, fmt.Errorf("%q is more than one day: add them one at a time", p.quote(i-2, to+1))
	}
	return p.dated(i, to+1, m, d)
}

// isTime reports whether token i is the end of a time of day already recognised.
func (p *parser) isTime(i int) bool {
	for _, it := range p.items {
		if _, ok := it.what.(clockText); ok && i >= it.from && i < it.to {
			return true
		}
	}
	return false
}

// monthDay: December 5, Dec 5th, 2026.
func (p *parser) monthDay(i int) (dayText, int, error) {
	m, ok := month(p.at(i))
	if !ok {
		return dayText{}, i, nil
	}
	at := i + 1
	if p.at(at) == "." {
		at++
	}
	if p.at(at) == "the" {
		at++
	}
	d := p.num(at, 1, 2)
	if d < 0 || p.at(at+1) == ":" || p.meridiemAt(at+1) > at+1 {
		return dayText{}, i, nil // a month and a time
	}
	to := p.ordinal(at + 1)
	if (p.at(to) == "-" || p.at(to) == "and" || p.at(to) == "&") && p.num(to+1, 1, 2) > 0 && p.ordinal(to+2) > to+2 {
		return dayText{}, i, fmt.Errorf("%q is more than one day: add them one at a time", p.quote(i, to+3))
	}
	return p.dated(i, to, m, d)
}

// dated adds the year, where one is written.
func (p *parser) dated(from, to int, m time.Month, d int) (dayText, int, error) {
	when := date{0, m, d}
	at := to
	if p.at(at) == "," || p.at(at) == "." || p.at(at) == "-" && p.glued(at) && p.glued(at+1) {
		at++
	}
	if y := p.num(at, 4, 4); y >= 2000 && y < 2200 && !slices.Contains([]string{"h", "hrs", "hours"}, p.at(at+1)) {
		when.year, to = y, at+1
	} else if p.at(at) == "'" && p.num(at+1, 2, 2) >= 0 {
		when.year, to = 2000+p.num(at+1, 2, 2), at+2
	}
	probe := when
	if probe.year == 0 {
		probe.year = 2000
	}
	if !probe.exists() {
		return dayText{}, from, fmt.Errorf("there is no day %q", p.quote(from, to))
	}
	return dayText{dates: []date{when}}, to, nil
}

// ordinal goes over st, nd, rd or th.
func (p *parser) ordinal(i int) int {
	if p.glued(i) && slices.Contains([]string{"st", "nd", "rd", "th"}, p.at(i)) {
		return i + 1
	}
	return i
}

// weekdayAlone: Saturday, Sat, Saturday the 5th. A short name counts only where a day or a time stands beside it, since
// "sun" and "sat" are words too.
func (p *parser) weekdayAlone(i int) (dayText, int, error) {
	d, ok := weekday(p.at(i))
	if !ok {
		return dayText{}, i, nil
	}
	next := p.skip(i + 1)
	if len(p.at(i)) < 6 {
		_, isMonth := month(p.at(next))
		beside := p.kind(next) == number || isMonth || slices.Contains([]string{"at", "from", "between", "the", "noon", "midday", "-"}, p.at(next)) ||
			slices.Contains([]string{"on", "this", "coming", "next", "(", ",", "-", "to", "until"}, p.at(i-1)) || p.kind(i-1) == number || i == 0 && next >= len(p.toks)
		if !beside {
			return dayText{}, i, nil
		}
	}
	switch before := p.at(i - 1); before {
	case "next", "last", "previous", "past":
		return dayText{}, i, fmt.Errorf("%q can be taken in two ways: write the date", p.quote(i-1, i+1))
	}
	t := dayText{weekday: d, hasWeekday: true}
	at := p.skip(i+1, "the")
	if n := p.num(at, 1, 2); n >= 1 && n <= 31 && p.ordinal(at+1) > at+1 {
		after := p.ordinal(at + 1)
		if p.at(after) == "of" {
			after++
		}
		if _, isMonth := month(p.at(after)); !isMonth {
			t.dayOfMonth = n
			return t, p.ordinal(at + 1), nil
		}
	}
	return t, i + 1, nil
}

// relativeDay: today, tonight, tomorrow.
func (p *parser) relativeDay(i int) (dayText, int, error) {
	switch p.at(i) {
	case "today":
		return dayText{relative: true}, i + 1, nil
	case "tonight":
		return dayText{relative: true, tonight: true}, i + 1, nil
	case "tomorrow":
		if p.at(i-1) == "after" && p.at(i-2) == "day" {
			return dayText{relative: true, ahead: 2}, i + 1, nil
		}
		return dayText{relative: true, ahead: 1}, i + 1, nil
	case "yesterday":
		return dayText{}, i, fmt.Errorf("yesterday is over")
	}
	return dayText{}, i, nil
}
