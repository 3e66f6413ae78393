package recur

import (
	"slices"

	"spillway/calendar/civil"
)

// dayFilter is the part of a rule that limits days, whatever the period.
func (w *walk) dayMatches(d civil.Day) bool {
	r := w.rule
	if len(r.Months) > 0 || len(r.MonthDays) > 0 || len(r.YearDays) > 0 || len(r.Weeks) > 0 {
		y, m, dom := d.Date()
		if len(r.Months) > 0 && !slices.Contains(r.Months, m) {
			return false
		}
		if n := civil.DaysIn(y, m); len(r.MonthDays) > 0 && !slices.Contains(r.MonthDays, dom) && !slices.Contains(r.MonthDays, dom-n-1) {
			return false
		}
		if len(r.YearDays) > 0 && !yearDayMatches(r.YearDays, y, d) {
			return false
		}
		if len(r.Weeks) > 0 && !weekMatches(r.Weeks, d, r.WeekStart) {
			return false
		}
	}
	return w.weekdays == 0 || w.weekdays&(1<<d.Weekday()) != 0
}

func yearDayMatches(list []int, y int, d civil.Day) bool {
	n := int(d-civil.Date(y, 1, 1)) + 1
	return slices.Contains(list, n) || slices.Contains(list, n-yearLength(y)-1)
}

func yearLength(y int) int {
	if civil.IsLeap(y) {
		return 366
	}
	return 365
}

// firstWeek returns the first day of week 1 of y: the first week with at least four days in y (RFC 5545 3.3.10).
func firstWeek(y, weekStart int) civil.Day {
	jan4 := civil.Date(y, 1, 4)
	return weekOf(jan4, weekStart)
}

// weekOf returns the first day of d's week.
func weekOf(d civil.Day, weekStart int) civil.Day {
	return d - civil.Day((d.Weekday()-weekStart+7)%7)
}

func weekMatches(list []int, d civil.Day, weekStart int) bool {
	y, _, _ := (weekOf(d, weekStart) + 3).Date() // the fourth day of a week lies in the year that counts it
	first := firstWeek(y, weekStart)
	n := int(d-first)/7 + 1
	total := int(firstWeek(y+1, weekStart)-first) / 7
	return slices.Contains(list, n) || slices.Contains(list, n-total-1)
}

// monthSet appends the days of a MONTHLY period, in order.
func (w *walk) monthSet(out []civil.Day, y, m int) []civil.Day {
	r := w.rule
	if len(r.Months) > 0 && !slices.Contains(r.Months, m) {
		return out
	}
	switch {
	case len(r.YearDays)+len(r.Weeks) > 0 || len(r.MonthDays) > 0 && len(r.Days) > 0:
		return w.librarySet(out, y, m)
	case len(r.MonthDays) > 0:
		return monthDays(out, r.MonthDays, y, m)
	case len(r.Days) > 0:
		return monthWeekdays(out, r.Days, y, m)
	}
	return monthDays(out, w.startDay[:], y, m)
}

// yearSet appends the days of a YEARLY period, in order.
func (w *walk) yearSet(out []civil.Day, y int) []civil.Day {
	r := w.rule
	switch {
	case len(r.Weeks) > 0:
		return w.weeksSet(out, y)
	case len(r.YearDays) > 0 || len(r.MonthDays) > 0 && len(r.Days) > 0 || len(r.Days) > 0 && len(r.Months) == 0:
		return w.librarySet(out, y, 0)
	}
	months, days := r.Months, r.MonthDays
	if len(days) == 0 {
		days = w.startDay[:]
		if len(months) == 0 {
			months = w.startMonth[:]
		}
	}
	for m := 1; m <= 12; m++ {
		switch {
		case len(months) > 0 && !slices.Contains(months, m):
		case len(r.Days) > 0:
			out = monthWeekdays(out, r.Days, y, m)
		default:
			out = monthDays(out, days, y, m)
		}
	}
	return out
}

// monthDays appends the listed days of a month that exist; negative ones count from its end.
func monthDays(out []civil.Day, list []int, y, m int) []civil.Day {
	n, first := civil.DaysIn(y, m), civil.Date(y, m, 1)
	from, mixed := len(out), false
	for _, d := range list {
		if d < 0 {
			d += n + 1
			mixed = true
		}
		if d >= 1 && d <= n {
			out = append(out, first+civil.Day(d-1))
		}
	}
	if mixed {
		out = sorted(out, from)
	}
	return out
}

// monthWeekdays appends the listed weekdays of a month.
func monthWeekdays(out []civil.Day, list []WeekdayNum, y, m int) []civil.Day {
	n, first := civil.DaysIn(y, m), civil.Date(y, m, 1)
	from, wd := len(out), first.Weekday()
	for _, d := range list {
		dom := 1 + (d.Weekday-wd+7)%7 // the first such day
		switch {
		case d.N > 0:
			dom += 7 * (d.N - 1)
		case d.N < 0:
			dom += 7 * ((n-dom)/7 + 1 + d.N)
		default:
			for ; dom <= n; dom += 7 {
				out = append(out, first+civil.Day(dom-1))
			}
			continue
		}
		if dom >= 1 && dom <= n {
			out = append(out, first+civil.Day(dom-1))
		}
	}
	if len(list) > 1 {
		out = sorted(out, from)
	}
	return out
}

// weeksSet appends the days of the listed weeks of y, as ISO 8601 counts them: week 1 may begin in the December before.
// Without BYDAY it is DTSTART's weekday.
func (w *walk) weeksSet(out []civil.Day, y int) []civil.Day {
	r := w.rule
	first := firstWeek(y, r.WeekStart)
	total := int(firstWeek(y+1, r.WeekStart)-first) / 7
	from := len(out)
	for _, n := range r.Weeks {
		if n < 0 {
			n += total + 1
		}
		if n < 1 || n > total {
			continue
		}
		for d := first + civil.Day(7*(n-1)); d < first+civil.Day(7*n); d++ {
			if w.dayMatches(d) {
				out = append(out, d)
			}
		}
	}
	return sorted(out, from)
}

// sorted puts out[from:] in order and drops what stands in it twice.
func sorted(out []civil.Day, from int) []civil.Day {
	tail := out[from:]
	slices.Sort(tail)
	return out[:from+len(slices.Compact(tail))]
}
