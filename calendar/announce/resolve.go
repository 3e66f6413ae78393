package announce

import (
	"errors"
	"fmt"
	"slices"
	"time"
)

// dates returns the days of the start and of the end, which are one unless the text names a day for each.
func (p *parser) dates(f found, first, last int, today date) (start, end date, notes []string, err error) {
	var days []date
	var at []int
	for _, i := range f.days {
		d, note, err := p.items[i].what.(dayText).resolve(today, p.said(i))
		if err != nil {
			return start, end, nil, err
		}
		if slices.Contains(days, d) {
			continue
		}
		days, at = append(days, d), append(at, i)
		if note != "" {
			notes = append(notes, note)
		}
	}
	switch {
	case len(days) == 0:
		return start, end, nil, errors.New("it says no day: write it such as Saturday 5 December, or tomorrow")
	case len(days) == 1:
		return days[0], days[0], notes, nil
	case len(days) == 2 && last >= 0 && p.dayEach(at[0], at[1], first, last):
		return days[0], days[1], notes, nil
	}
	return start, end, nil, fmt.Errorf("it names more than one day (%s, %s): add one window at a time", days[0], days[1])
}

// dayEach reports whether the two days belong to the start and to the end: day time - day time, or time day - time day.
func (p *parser) dayEach(day1, day2, first, last int) bool {
	sep := first + 1 + slices.IndexFunc(p.items[first+1:last], func(it item) bool { _, ok := it.what.(sepText); return ok })
	return day1 < sep && sep < day2 && (day2 < last || day2 > last && day1 > first)
}

// resolve finds the day that is meant, counted from today. note says what was taken for granted.
func (d dayText) resolve(today date, said string) (when date, note string, err error) {
	switch {
	case d.relative:
		when = today.plus(d.ahead)
	case len(d.dates) > 0:
		return d.pick(today, said)
	case d.dayOfMonth > 0:
		when = nextDayOfMonth(today, d.dayOfMonth)
		note = fmt.Sprintf("no month is written: %s is taken as %s", said, when)
	default:
		ahead := mod(int(d.weekday)-int(today.noon().Weekday()), 7)
		if ahead == 0 {
			return when, "", fmt.Errorf("today is a %s: write whether it is today, or the date", d.weekday)
		}
		when = today.plus(ahead)
		note = fmt.Sprintf("no date is written: %s is taken as %s", said, when)
	}
	return when, note, d.agrees(when)
}

func (d dayText) agrees(when date) error {
	if got := when.noon().Weekday(); d.hasWeekday && got != d.weekday {
		return fmt.Errorf("%s is a %s, not a %s: write the right one", when, got, d.weekday)
	}
	return nil
}

// pick settles a date whose order or year is open.
func (d dayText) pick(today date, said string) (when date, note string, err error) {
	var fit []date
	for _, c := range d.dates {
		if c.year == 0 {
			c = comingYear(c, today)
		}
		if err = d.agrees(c); err == nil {
			fit = append(fit, c)
		}
	}
	switch {
	case len(fit) == 0:
		return when, "", err
	case len(fit) == 2:
		return when, "", fmt.Errorf("%q can be %s or %s: write the month's name", said, fit[0], fit[1])
	}
	when = fit[0]
	if d.dates[0].year != 0 {
		return when, "", nil
	}
	before := when
	for before.year--; before.year > today.year-9 && !before.exists(); before.year-- {
	}
	if ago := int(today.noon().Sub(before.noon()) / (24 * time.Hour)); !d.hasWeekday && ago < justOver {
		return when, "", fmt.Errorf("%q was %d days ago, and comes again in %d: write the year", said, ago, int(when.noon().Sub(today.noon())/(24*time.Hour)))
	}
	return when, fmt.Sprintf("no year is written: %s is taken as %s", said, when), nil
}

// comingYear puts a date without a year into the first year in which it is today or ahead.
func comingYear(c, today date) date {
	for c.year = today.year; c.year < today.year+9; c.year++ {
		if c.exists() && !c.noon().Before(today.noon()) {
			break
		}
	}
	return c
}

// nextDayOfMonth returns the first day from today on that has the number.
func nextDayOfMonth(today date, n int) date {
	for d := today; ; d = d.plus(1) {
		if d.day == n {
			return d
		}
	}
}
