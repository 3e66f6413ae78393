package recur

import (
	"time"

	rrule "github.com/teambition/rrule-go"

	"spillway/calendar/civil"
)

// librarySet appends the days of one MONTHLY period (m from 1), or of one YEARLY period (m is 0), for the shapes that
// join several BYxxx parts. What rrule-go v1.8.2 gets wrong is mended here, and nowhere else:
//
//   - A rule that finds nothing is searched to the year 9999 and cannot be stopped. It is asked for one period only: the
//     interval takes it past the year 9999 after the first.
//   - Its first period begins at DTSTART, so that BYSETPOS counts in a part of it. DTSTART is put on the period's first
//     day, and BYSETPOS is not handed over.
//   - It loses occurrences in clock changes, and takes hours and seconds through them wrongly: it is given midnights in
//     UTC, and times of day are not handed over.
//   - An ordinal past the end of a month (BYDAY=53MO in a month) reads outside a table: such ordinals match nothing, and
//     are dropped.
//   - "BYDAY=MO,2TU" has both kinds of day apply at once and matches nothing: the kinds are asked for apart.
//   - It ends 290 years after DTSTART unless UNTIL is given, and knows COUNT=0 and INTERVAL=0: none of these is handed over.
//
// COUNT, UNTIL and INTERVAL are walk's; its text parser, which refuses lower case, X- parts and a last semicolon, is not used.
func (w *walk) librarySet(out []civil.Day, y, m int) []civil.Day {
	w.spend(libraryCost)
	opt := rrule.ROption{
		Freq: rrule.YEARLY, Interval: 10000, Dtstart: time.Date(y, 1, 1, 0, 0, 0, 0, time.UTC), Wkst: libraryDays[w.rule.WeekStart],
		Bymonth: w.rule.Months, Bymonthday: w.rule.MonthDays, Byyearday: w.rule.YearDays, Byweekno: w.rule.Weeks,
	}
	if m > 0 {
		opt.Freq, opt.Interval, opt.Dtstart = rrule.MONTHLY, 12*10000, time.Date(y, time.Month(m), 1, 0, 0, 0, 0, time.UTC)
	}
	most := 53
	if m > 0 || len(w.rule.Months) > 0 {
		most = 5
	}
	var plain, nth []rrule.Weekday
	for _, d := range w.rule.Days {
		day := libraryDays[d.Weekday]
		switch {
		case d.N == 0:
			plain = append(plain, day)
		case d.N >= -most && d.N <= most:
			nth = append(nth, day.Nth(d.N))
		}
	}
	from := len(out)
	for _, days := range [][]rrule.Weekday{plain, nth} {
		if len(days) == 0 && len(w.rule.Days) > 0 {
			continue
		}
		opt.Byweekday = days
		out = libraryDaysOf(out, opt)
		if len(w.rule.Days) == 0 {
			break
		}
	}
	return sorted(out, from)
}

// libraryCost is what one period of the library is charged for: it walks a year's days.
const libraryCost = 400

var libraryDays = [7]rrule.Weekday{rrule.MO, rrule.TU, rrule.WE, rrule.TH, rrule.FR, rrule.SA, rrule.SU}

func libraryDaysOf(out []civil.Day, opt rrule.ROption) []civil.Day {
	r, err := rrule.NewRRule(opt)
	if err != nil { // Parse has checked every range: the library's are the same or wider
		return out
	}
	next := r.Iterator()
	for t, ok := next(); ok; t, ok = next() {
		out = append(out, civil.WallOf(t).Day())
	}
	return out
}
