package announce

import (
	"fmt"
	"slices"
	"time"
)

// A lengthText is how long something goes on, as written.
type lengthText struct{ d time.Duration }

func numberWords() map[string]int {
	return map[string]int{"one": 1, "two": 2, "three": 3, "four": 4, "five": 5, "six": 6, "eight": 8, "ten": 10, "twelve": 12, "fifteen": 15,
		"twenty": 20, "thirty": 30, "forty": 40, "sixty": 60, "ninety": 90, "a": 1, "an": 1}
}

// length recognises how long the window is. Other stretches of time ("reply within 2 hours") are passed over: they are no
// window's length.
func (p *parser) length(i int) (any, int, error) {
	d, to := p.span(i)
	if to == i {
		return nil, i, nil
	}
	if p.at(i+1) == "h" && p.isStretch(i, to) || p.num(i, 4, 4) >= 0 && p.hWord(i+1) > i+1 {
		return nil, i, nil // 13h-14h, 1300 hrs
	}
	if p.num(i, 1, 2) >= 0 && (p.at(i-1) == "to" || p.at(i-1) == "or" || p.at(i-1) == "-") && p.num(i-2, 1, 2) >= 0 && !p.isTime(i-2) {
		return nil, i, fmt.Errorf("%q is not exact: write the time at which it ends", p.quote(i-2, to))
	}
	before := i - 1
	for before >= 0 && slices.Contains([]string{":", "a", "the", "of", "is", "("}, p.at(before)) {
		before--
	}
	says := slices.Contains([]string{"for", "lasting", "lasts", "last", "duration", "length", "long"}, p.at(before)) || p.at(i-1) == "(" ||
		slices.Contains([]string{"long", "window", "session", "slot", "period", "event", "of"}, p.at(p.skipDash(to)))
	if !says {
		return nil, to, nil
	}
	if err := p.vague(i); err != nil {
		return nil, i, err
	}
	if p.at(i-1) == "to" && p.at(i-2) == "up" {
		return nil, i, fmt.Errorf("%q is not exact: write the time at which it ends", p.quote(i-2, to))
	}
	if d <= 0 || d > 24*time.Hour {
		return nil, i, fmt.Errorf("%q is no length of a window: up to a day", p.quote(i, to))
	}
	return lengthText{d}, to, nil
}

func (p *parser) skipDash(i int) int {
	if p.at(i) == "-" {
		return i + 1
	}
	return i
}

// isStretch reports whether an hour with h belongs to two times or stands where a time does.
func (p *parser) isStretch(i, to int) bool {
	joins := func(s string) bool { return slices.Contains([]string{"-", "to", "until", "till", "and"}, s) }
	return slices.Contains([]string{"from", "at", "between", "by"}, p.at(i-1)) || joins(p.at(to)) && p.kind(to+1) == number ||
		joins(p.at(i-1)) && p.isTime(i-2)
}

// span reads a stretch of time: 1 hour, an hour and a half, 90 minutes, 1h30, 1 hour 30 minutes, half an hour, 1.5 hours.
func (p *parser) span(i int) (time.Duration, int) {
	if p.at(i) == "half" {
		at := p.skipDash(i + 1)
		if p.at(at) == "an" || p.at(at) == "a" {
			at++
		}
		if p.unitOfTime(at) == time.Hour && p.at(at) != "h" {
			return 30 * time.Minute, at + 1
		}
		return 0, i
	}
	n, at := p.amount(i)
	if at == i {
		return 0, i
	}
	at = p.skipDash(at)
	unit := p.unitOfTime(at)
	if unit == 0 {
		return 0, i
	}
	d := time.Duration(n * float64(unit))
	at++
	if p.at(at-1) == "h" && p.glued(at) && p.num(at, 2, 2) >= 0 && p.num(at, 2, 2) < 60 { // 1h30
		d += time.Duration(p.num(at, 2, 2)) * time.Minute
		at++
		if p.glued(at) && (p.at(at) == "m" || p.at(at) == "min") {
			at++
		}
		return d, at
	}
	if unit == time.Hour {
		if p.at(at) == "and" && p.at(at+1) == "a" && p.at(at+2) == "half" {
			return d + 30*time.Minute, at + 3
		}
		more := at
		if p.at(more) == "and" {
			more++
		}
		if m := p.num(more, 1, 2); m >= 0 && m < 60 && p.unitOfTime(p.skipDash(more+1)) == time.Minute {
			return d + time.Duration(m)*time.Minute, p.skipDash(more+1) + 1
		}
	}
	return d, at
}

// amount reads a number in figures or words.
func (p *parser) amount(i int) (float64, int) {
	if n, ok := numberWords()[p.at(i)]; ok {
		return float64(n), i + 1
	}
	n := p.num(i, 1, 4)
	if n < 0 || p.glued(i) && p.kind(i-1) == mark && !slices.Contains([]string{"(", "-", ",", ":"}, p.at(i-1)) {
		return 0, i
	}
	if p.at(i+1) == "." && p.glued(i+1) && p.glued(i+2) && p.num(i+2, 1, 2) >= 0 {
		part := float64(p.num(i+2, 1, 2))
		for range len(p.at(i + 2)) {
			part /= 10
		}
		return float64(n) + part, i + 3
	}
	return float64(n), i + 1
}

func (p *parser) unitOfTime(i int) time.Duration {
	switch p.at(i) {
	case "hour", "hours", "hr", "hrs", "h":
		return time.Hour
	case "minute", "minutes", "min", "mins":
		return time.Minute
	}
	return 0
}

// length writes a duration as people say it.
func length(d time.Duration) string {
	h, m := int(d.Hours()), int(d.Minutes())%60
	switch {
	case h == 0:
		return fmt.Sprintf("%d min", m)
	case m == 0:
		return fmt.Sprintf("%d h", h)
	}
	return fmt.Sprintf("%d h %d min", h, m)
}
