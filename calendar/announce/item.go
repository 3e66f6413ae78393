package announce

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

// An item is something recognised: a day, a time of day, a separator of two times, a length or a zone.
type item struct {
	what     any // dayText, clockText, sepText, lengthText or zoneText
	from, to int // tokens
}

type sepText struct{}

// A parser looks for items.
type parser struct {
	text  string
	toks  []token
	items []item
}

// scan finds every item, or the first thing that makes the text unfit.
func (p *parser) scan() error {
	for i := 0; i < len(p.toks); {
		if err := p.unfit(i); err != nil {
			return err
		}
		next, err := p.take(i)
		if err != nil {
			return err
		}
		i = max(next, i+1)
	}
	return nil
}

// take recognises the item at token i and returns where it ends; i where there is none.
func (p *parser) take(i int) (int, error) {
	for _, try := range []func(int) (any, int, error){p.zone, p.day, p.length, p.clock, p.sep} {
		what, to, err := try(i)
		if err != nil {
			return i, err
		}
		if to > i {
			if what != nil {
				p.items = append(p.items, item{what, i, to})
			}
			return to, nil
		}
	}
	return i, nil
}

// unfit refuses texts that speak of changes or of more than one occasion, whatever else is in them.
func (p *parser) unfit(i int) error {
	w, next := p.at(i), p.at(i+1)
	switch {
	case slices.Contains([]string{"cancelled", "canceled", "postponed", "rescheduled"}, w), w == "called" && next == "off":
		return fmt.Errorf("it speaks of a change (%q): change the event in its calendar", p.quote(i, i+1))
	case w == "moved" && next == "to", w == "instead" && next == "of":
		return fmt.Errorf("it speaks of a change (%q): change the event in its calendar", p.quote(i, i+2))
	case (w == "every" || w == "each") && (isWeekday(next) || slices.Contains([]string{"day", "week", "night", "morning", "evening", "weekday", "weekend", "month", "other"}, next)):
		return fmt.Errorf("it repeats (%q): write a repeating event in a calendar", p.quote(i, i+2))
	case slices.Contains([]string{"daily", "weekly", "nightly", "weekdays", "weekends", "fortnightly"}, w), strings.HasSuffix(w, "s") && len(w) > 5 && isWeekday(strings.TrimSuffix(w, "s")):
		return fmt.Errorf("it repeats (%q): write a repeating event in a calendar", p.quote(i, i+1))
	}
	return nil
}

// sep recognises what stands between the start and the end of a stretch.
func (p *parser) sep(i int) (any, int, error) {
	switch p.at(i) {
	case "-", "to", "until", "till", "til", "through", "thru", "ends", "end", "ending", "finishes", "finishing", "finish":
		return sepText{}, i + 1, nil
	case "and":
		// Of two times, as in "between 1 and 2pm"; anywhere else it joins other things.
		if n := len(p.items); n > 0 && p.items[n-1].to == i {
			if _, ok := p.items[n-1].what.(clockText); ok && p.kind(i+1) == number {
				return sepText{}, i + 1, nil
			}
		}
	}
	return nil, i, nil
}

// at returns the lower-case text of token i, "" beyond the ends.
func (p *parser) at(i int) string {
	if i < 0 || i >= len(p.toks) {
		return ""
	}
	return p.toks[i].text
}

func (p *parser) kind(i int) kind {
	if i < 0 || i >= len(p.toks) {
		return mark
	}
	return p.toks[i].kind
}

func (p *parser) glued(i int) bool { return i >= 0 && i < len(p.toks) && p.toks[i].glued }

// num returns the number at token i where it has between least and most digits; -1 otherwise.
func (p *parser) num(i, least, most int) int {
	if p.kind(i) != number || len(p.at(i)) < least || len(p.at(i)) > most {
		return -1
	}
	n, err := strconv.Atoi(p.at(i))
	if err != nil {
		return -1
	}
	return n
}

// skip goes over marks and the words named.
func (p *parser) skip(i int, words ...string) int {
	for i < len(p.toks) && (slices.Contains([]string{",", ".", "(", ")", ":", "|", "·", "•"}, p.at(i)) || slices.Contains(words, p.at(i))) {
		i++
	}
	return i
}

// quote returns the text of tokens from to before to, for people.
func (p *parser) quote(from, to int) string {
	to = min(to, len(p.toks))
	if from < 0 || from >= to {
		return ""
	}
	return strings.Join(strings.Fields(p.text[p.toks[from].at:p.toks[to-1].end()]), " ")
}

// vague refuses a time or a length that is only about right.
func (p *parser) vague(i int) error {
	if slices.Contains([]string{"about", "around", "approximately", "approx", "roughly", "circa", "~", "nearly", "almost"}, p.at(i-1)) {
		return fmt.Errorf("%q is not exact: write the time", p.quote(i-1, i+1))
	}
	if p.at(i-1) == "." && p.at(i-2) == "approx" {
		return fmt.Errorf("%q is not exact: write the time", p.quote(i-2, i+1))
	}
	return nil
}

func isWeekday(s string) bool {
	_, ok := weekday(s)
	return ok
}

// weekday reads a name in full or shortened.
func weekday(s string) (time.Weekday, bool) {
	for d := time.Sunday; d <= time.Saturday; d++ {
		name := strings.ToLower(d.String())
		if s == name || s == name[:3] || len(s) == 4 && (s == "tues" || s == "thur") && strings.HasPrefix(name, s) || s == "thurs" && d == time.Thursday {
			return d, true
		}
	}
	return 0, false
}

// month reads a name in full or shortened.
func month(s string) (time.Month, bool) {
	for m := time.January; m <= time.December; m++ {
		name := strings.ToLower(m.String())
		if s == name || s == name[:3] || s == "sept" && m == time.September {
			return m, true
		}
	}
	return 0, false
}
