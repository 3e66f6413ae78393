package announce

import (
	"fmt"
	"slices"
	"time"
)

// A half says which half of the day an hour is in.
type half int

const (
	unsaid half = iota
	am
	pm
	clock24 // by its form it can only be a 24-hour clock
)

// A clockText is a time of day as written.
type clockText struct {
	minutes  int // from midnight, as written: 1pm is 60 and pm
	half     half
	midnight bool // the word: the start of a day or its end
	bare     bool // an hour alone, in a stretch whose other end says more
}

// clock recognises a time of day at token i.
func (p *parser) clock(i int) (any, int, error) {
	if p.kind(i) == mark || p.kind(i) == number && p.glued(i) && p.kind(i-1) != number && !slices.Contains([]string{"-", "(", "@", ",", ":", "[", "t", "/", ";"}, p.at(i-1)) {
		return nil, i, nil // part of something else, such as £1.30 or v2
	}
	c, to, err := p.clockAt(i)
	if err != nil || to == i {
		return nil, i, err
	}
	if err := p.vague(i); err != nil {
		return nil, i, err
	}
	if p.at(i-1) == "not" {
		return nil, i, fmt.Errorf("it says when not (%q): give the day and time alone", p.quote(i-1, to))
	}
	return c, to, nil
}

func (p *parser) clockAt(i int) (clockText, int, error) {
	switch p.at(i) {
	case "noon", "midday":
		return clockText{minutes: 12 * 60, half: clock24}, i + 1, nil
	case "midnight":
		return clockText{half: clock24, midnight: true}, i + 1, nil
	}
	if p.kind(i) != number {
		return clockText{}, i, nil
	}
	for _, try := range []func(int) (clockText, int, error){p.hoursMinutes, p.hourHalf, p.hourH, p.fourFigures, p.bareHour} {
		if c, to, err := try(i); err != nil || to > i {
			return c, to, err
		}
	}
	return clockText{}, i, nil
}

// hoursMinutes: 13:00, 13.00, 1:30 pm, 13:00:00, 13:00h.
func (p *parser) hoursMinutes(i int) (clockText, int, error) {
	h, s, m := p.num(i, 1, 2), p.at(i+1), p.num(i+2, 2, 2)
	if h < 0 || m < 0 || s != ":" && s != "." || !p.glued(i+1) || !p.glued(i+2) {
		return clockText{}, i, nil
	}
	to := i + 3
	if p.at(to) == s && p.glued(to) && p.num(to+1, 2, 2) >= 0 && p.glued(to+1) {
		if s == "." {
			return clockText{}, i, nil // a number with dots, such as a version
		}
		if p.num(to+1, 2, 2) != 0 {
			return clockText{}, i, fmt.Errorf("%q has seconds: windows begin and end on a minute", p.quote(i, to+2))
		}
		to += 2
	}
	c := clockText{minutes: h*60 + m}
	after := p.meridiemAt(to)
	if s == "." && after == to && !p.dotted(i, to) {
		return clockText{}, i, nil // a number, such as a price
	}
	if h > 24 || m > 59 || h == 24 && m > 0 {
		return clockText{}, i, fmt.Errorf("there is no time %q", p.quote(i, to))
	}
	if after > to {
		return p.withHalf(c, i, h, to)
	}
	if h >= 10 || h == 0 || len(p.at(i)) == 2 {
		c.half = clock24
	}
	return c, p.hWord(to), nil
}

// dotted reports whether a number with a dot is a time: another such, or a time, stands across a separator, or an h after
// it.
func (p *parser) dotted(i, to int) bool {
	if p.hWord(to) > to {
		return true
	}
	joins := func(s string) bool { return s == "-" || s == "to" || s == "until" || s == "till" || s == "and" }
	like := func(k int) bool {
		return p.num(k, 1, 2) >= 0 && (p.at(k+1) == "." || p.at(k+1) == ":") && p.num(k+2, 2, 2) >= 0
	}
	return joins(p.at(to)) && like(to+1) || joins(p.at(i-1)) && like(i-4) || slices.Contains([]string{"from", "at", "between"}, p.at(i-1))
}

// hourHalf: 1pm, 1 p.m.
func (p *parser) hourHalf(i int) (clockText, int, error) {
	h := p.num(i, 1, 2)
	if h < 0 || p.meridiemAt(i+1) == i+1 {
		return clockText{}, i, nil
	}
	return p.withHalf(clockText{minutes: h * 60}, i, h, i+1)
}

// hourH: 13h, 13h30, in a stretch or after "at" or "from"; alone it is a length.
func (p *parser) hourH(i int) (clockText, int, error) {
	h := p.num(i, 1, 2)
	if h < 0 || p.at(i+1) != "h" || !p.glued(i+1) {
		return clockText{}, i, nil
	}
	m, to := 0, i+2
	if n := p.num(to, 2, 2); n >= 0 && p.glued(to) {
		m, to = n, to+1
	}
	if h > 24 || m > 59 || h == 24 && m > 0 {
		return clockText{}, i, fmt.Errorf("there is no time %q", p.quote(i, to))
	}
	return clockText{minutes: h*60 + m, half: clock24}, to, nil
}

// fourFigures: 1300 hrs, 1300h, and the first of 1300-1400 hrs.
func (p *parser) fourFigures(i int) (clockText, int, error) {
	n := p.num(i, 4, 4)
	to := p.hWord(i + 1)
	if n < 0 || to == i+1 && (p.at(i+1) != "-" && p.at(i+1) != "to" || p.num(i+2, 4, 4) < 0 || p.hWord(i+3) == i+3) {
		return clockText{}, i, nil
	}
	if n%100 > 59 || n > 2400 {
		return clockText{}, i, fmt.Errorf("there is no time %q", p.quote(i, to))
	}
	return clockText{minutes: n/100*60 + n%100, half: clock24}, to, nil
}

// bareHour: the 1 of "1-2pm" and of "from 1 to 2:30pm", the 2 of "1pm to 2", the 13 of "13-14h".
func (p *parser) bareHour(i int) (clockText, int, error) {
	h := p.num(i, 1, 2)
	joins := func(s string) bool { return slices.Contains([]string{"-", "to", "until", "till", "and"}, s) }
	if h < 0 || h > 24 || p.at(i+1) == "%" || p.at(i+1) == "." && p.glued(i+2) {
		return clockText{}, i, nil
	}
	first := joins(p.at(i+1)) && p.tellsHour(i+2) && (p.at(i+1) != "and" || p.at(i-1) == "between")
	second := joins(p.at(i-1)) && p.isTime(i-2) && !p.quantity(i+1)
	if !first && !second {
		return clockText{}, i, nil
	}
	return clockText{minutes: h * 60, bare: true}, i + 1, nil
}

// tellsHour reports whether a time that is more than an hour alone stands at token i.
func (p *parser) tellsHour(i int) bool {
	if p.at(i) == "noon" || p.at(i) == "midday" || p.at(i) == "midnight" {
		return true
	}
	if p.num(i, 1, 2) < 0 {
		return false
	}
	for _, try := range []func(int) (clockText, int, error){p.hoursMinutes, p.hourHalf, p.hourH} {
		if _, to, err := try(i); err == nil && to > i {
			return true
		}
	}
	return false
}

// quantity reports whether what stands at token i makes the number before it a day or an amount.
func (p *parser) quantity(i int) bool {
	_, isMonth := month(p.at(i))
	return isMonth || p.ordinal(i) > i || p.at(i) == "/" || p.unitOfTime(i) > 0 ||
		slices.Contains([]string{"kwh", "kw", "w", "p", "c", "pence", "days", "day", "people", "percent", "points"}, p.at(i))
}

// hWord goes over h, hrs, hours and o'clock after a time on a 24-hour clock.
func (p *parser) hWord(i int) int {
	switch {
	case slices.Contains([]string{"h", "hrs", "hours", "uhr"}, p.at(i)):
		return i + 1
	case p.at(i) == "o" && p.at(i+1) == "'" && p.at(i+2) == "clock":
		return i + 3
	}
	return i
}

// meridiemAt goes over am, pm, a.m., p.m. and "noon" after 12.
func (p *parser) meridiemAt(i int) int {
	switch w := p.at(i); {
	case w == "am" || w == "pm":
		return i + 1
	case (w == "a" || w == "p") && p.at(i+1) == "." && p.at(i+2) == "m" && p.glued(i+2):
		if p.at(i+3) == "." && p.glued(i+3) {
			return i + 4
		}
		return i + 3
	case (w == "noon" || w == "midday" || w == "midnight") && p.at(i-1) == "12":
		return i + 1
	}
	return i
}

// withHalf puts the half of the day at token at to a time of h hours that begins at token from.
func (p *parser) withHalf(c clockText, from, h, at int) (clockText, int, error) {
	to := p.meridiemAt(at)
	switch w := p.at(at); {
	case w == "midnight":
		return clockText{half: clock24, midnight: true}, to, nil
	case w == "noon" || w == "midday":
		return clockText{minutes: 12 * 60, half: clock24}, to, nil
	case h < 1 || h > 12:
		return c, from, fmt.Errorf("there is no time %q", p.quote(from, to))
	case w[0] == 'p':
		c.half = pm
	case h == 12:
		return c, from, fmt.Errorf("%q is midnight to some and noon to others: write 00:00 or noon", p.quote(from, to))
	default:
		c.half = am
	}
	return c, to, nil
}

// said returns the minutes from midnight where the half of the day is known.
func (c clockText) said() (int, bool) {
	switch c.half {
	case pm:
		return c.minutes%(12*60) + 12*60, true
	case am, clock24:
		return c.minutes, true
	}
	return c.minutes, false
}

// stretch returns the start and the end in minutes from the midnight at which the start's day begins. The end can lie
// beyond the next midnight.
func stretch(a, b clockText) (start, end int, err error) {
	const day = 24 * 60
	start, aSaid := a.said()
	end, bSaid := b.said()
	if b.midnight {
		end = day
	}
	switch {
	case a.midnight || a.minutes == day:
		return 0, 0, fmt.Errorf("a start at midnight can be the start of the day or its end: write 00:00 and the date")
	case !aSaid && !bSaid:
		return 0, 0, fmt.Errorf("it does not say morning or afternoon: write am or pm, or a 24-hour clock such as 09:00")
	case !aSaid && b.half == clock24 && b.minutes != 12*60 && !b.midnight, !bSaid && a.half == clock24 && a.minutes != 12*60:
		// A 24-hour clock at one end: the other is read on it too.
	case !aSaid:
		start, err = nearer(a.minutes, func(m int) int { return mod(end-m, day) })
	case !bSaid:
		end, err = nearer(b.minutes, func(m int) int { return mod(m-start, day) })
	}
	if err != nil {
		return 0, 0, err
	}
	if end <= start {
		end += day
	}
	if end-start > day/2 && end > day {
		return 0, 0, fmt.Errorf("it ends before it starts, or goes on for %s: write both days", length(time.Duration(end-start)*time.Minute))
	}
	return start, end, nil
}

// nearer puts an hour that lacks its half of the day into the one that makes the stretch shorter than half a day.
func nearer(minutes int, long func(int) int) (int, error) {
	m := minutes % (12 * 60)
	if minutes >= 13*60 {
		return minutes, nil
	}
	for _, at := range []int{m, m + 12*60} {
		if n := long(at); n > 0 && n < 12*60 {
			return at, nil
		}
	}
	return 0, fmt.Errorf("it does not say morning or afternoon for both times: write am or pm")
}

func mod(a, b int) int { return (a%b + b) % b }
