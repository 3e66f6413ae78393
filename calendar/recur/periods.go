package recur

import (
	"math"
	"slices"

	"spillway/calendar/civil"
)

// slack is more than any offset plus any clock change, in seconds: a wall and its instant differ by less.
const slack = 26 * 3600

// dayPeriods walks the periods of a rule of days or longer.
func (w *walk) dayPeriods() {
	r := w.rule
	first := w.period(w.start.Wall.Day())
	last := w.period(dayOf(w.to, slack))
	if r.HasUntil {
		last = min(last, w.period(dayOf(int64(r.Until.Wall), slack)))
	}
	p := first
	if skip := (w.period(dayOf(w.from, -slack)) - first) / r.Interval; skip > 0 && (w.left < 0 || w.countTo(first, skip)) {
		p += skip * r.Interval
	}
	for ; p <= last && w.spend(1); p += r.Interval {
		w.daySet(p)
		if !w.emit() {
			return
		}
	}
}

// dayOf returns the day of t+by, which may be any number, within the calendar.
func dayOf(t, by int64) civil.Day {
	const first, last = int64(civil.FirstDay) * civil.SecondsPerDay, int64(civil.LastDay) * civil.SecondsPerDay
	return civil.Wall(min(max(t, first)+by, last)).Day()
}

// countTo takes off COUNT what the periods before first + skip intervals yield, and reports whether it could tell without
// walking them.
func (w *walk) countTo(first, skip int64) bool {
	if !w.rule.steady(w.startDay[0]) {
		return false
	}
	w.daySet(first)
	n := int64(0)
	for _, wall := range w.set() {
		if wall >= w.start.Wall {
			n++
		}
	}
	w.daySet(first + w.rule.Interval)
	n += (skip - 1) * int64(len(w.set()))
	w.left = max(w.left-n, 0)
	return true
}

// steady reports whether every whole period yields the same number of instances.
func (r *Rule) steady(startDay int) bool {
	switch r.Freq {
	case Daily:
		return r.onlyWeekdays() && len(r.Days) == 0
	case Weekly:
		return r.onlyWeekdays()
	case Monthly:
		if len(r.Months)+len(r.YearDays)+len(r.Weeks) > 0 || len(r.Days) > 0 && len(r.MonthDays) > 0 {
			return false
		}
		lo, hi := startDay, startDay
		if n := len(r.MonthDays); n > 0 {
			lo, hi = r.MonthDays[0], r.MonthDays[n-1]
		}
		if n := len(r.Days); n > 0 { // sorted by ordinal
			lo, hi = r.Days[0].N*7, r.Days[n-1].N*7
		}
		return lo > 0 && hi <= 28 || hi < 0 && lo >= -28
	}
	return false
}

// onlyWeekdays reports whether no part but BYDAY limits the days of r.
func (r *Rule) onlyWeekdays() bool {
	return len(r.Months)+len(r.MonthDays)+len(r.YearDays)+len(r.Weeks) == 0
}

// period numbers the period that d lies in: days, weeks, months or years.
func (w *walk) period(d civil.Day) int64 {
	switch w.rule.Freq {
	case Daily:
		return int64(d)
	case Weekly:
		return int64(weekOf(d, w.rule.WeekStart)-w.weekZero()) / 7
	}
	if len(w.rule.Weeks) > 0 && w.rule.Freq == Yearly {
		d = weekOf(d, w.rule.WeekStart) + 3 // its fourth day lies in the year that counts a week
	}
	y, m, _ := d.Date()
	if w.rule.Freq == Monthly {
		return int64(y*12 + m - 1)
	}
	return int64(y)
}

// weekZero is the first day of the week that WEEKLY periods are numbered from.
func (w *walk) weekZero() civil.Day { return weekOf(civil.FirstDay, w.rule.WeekStart) }

// daySet fills w.days with the days of period p that match, in order.
func (w *walk) daySet(p int64) {
	w.days = w.days[:0]
	switch w.rule.Freq {
	case Daily:
		if w.dayMatches(civil.Day(p)) {
			w.days = append(w.days, civil.Day(p))
		}
	case Weekly:
		first := w.weekZero() + civil.Day(p*7)
		for d := first; d < first+7; d++ {
			if w.dayMatches(d) {
				w.days = append(w.days, d)
			}
		}
	case Monthly:
		w.days = w.monthSet(w.days, int(p/12), int(p%12)+1)
	default:
		w.spend(12)
		w.days = w.yearSet(w.days, int(p))
	}
}

// set returns the instances of the period at hand, in order: the product of days and times, or what BYSETPOS picks of it.
// What it returns is good until the next call.
func (w *walk) set() []civil.Wall {
	w.picks = w.picks[:0]
	if len(w.rule.SetPos) == 0 {
		for _, d := range w.days {
			for _, t := range w.times {
				w.picks = append(w.picks, d.Wall()+t)
			}
			if !w.spend(len(w.times)) {
				break
			}
		}
		return w.picks
	}
	n := len(w.days) * len(w.times)
	for _, i := range positions(w.rule.SetPos, n) {
		w.picks = append(w.picks, w.days[i/len(w.times)].Wall()+w.times[i%len(w.times)])
	}
	w.spend(len(w.rule.SetPos))
	return w.picks
}

// positions turns BYSETPOS into indices into a set of n, in order and each once.
func positions(setPos []int, n int) []int {
	out := make([]int, 0, len(setPos))
	for _, pos := range setPos {
		if pos < 0 {
			pos += n + 1
		}
		if pos >= 1 && pos <= n {
			out = append(out, pos-1)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// emit hands on the instances of the period at hand, and reports whether to go on.
func (w *walk) emit() bool {
	for _, wall := range w.set() {
		if wall < w.start.Wall {
			continue
		}
		in := Instance{wall, math.MinInt64} // long before the range, the instant does not matter
		if int64(wall) >= w.from-slack {
			in.At = w.clock.Instant(wall)
		}
		if !w.instance(in) {
			return false
		}
	}
	return !w.broke
}

// instance counts in and yields it if it is in range. It reports whether to go on.
func (w *walk) instance(in Instance) bool {
	if w.left == 0 {
		return false
	}
	if w.rule.HasUntil {
		if past, far := w.past(in); past {
			return !far
		}
	}
	if w.left > 0 {
		w.left--
	}
	if in.At < w.from {
		return true
	}
	if in.At >= w.to {
		// A wall in a spring gap maps past later walls, so the end of the range is sure only some way behind it.
		return in.At < w.to+slack
	}
	return w.yield(in)
}

// past reports whether in lies after UNTIL, and whether so far after that all later walls do. A DATE means that whole day
// on the wall clock, a local time the wall clock, a UTC time the instant; for an all-day event only UNTIL's date counts.
func (w *walk) past(in Instance) (past, far bool) {
	u := w.rule.Until
	d := int64(in.Wall - u.Wall)
	switch {
	case u.Form == civil.DateOnly || w.allDay:
		past = in.Wall.Day() > u.Wall.Day()
		return past, past
	case u.Form == civil.Local:
		return d > 0, d > 0
	case d < -slack || d > slack:
		return d > 0, d > 0
	}
	return w.clock.Instant(in.Wall) > int64(u.Wall), false
}
