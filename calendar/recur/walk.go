package recur

import (
	"errors"

	"spillway/calendar/civil"
)

// A Clock maps wall-clock times to instants in one zone, and back. Instants are seconds since 1970-01-01T00:00:00Z.
type Clock interface {
	Instant(civil.Wall) int64
	Wall(int64) civil.Wall
}

// An Instance is one member of a recurrence set: what the wall clock shows, and when that is.
type Instance struct {
	Wall civil.Wall
	At   int64
}

// A Budget bounds the work of expansions; every period and every candidate costs about 1, some 10 ns. Share one Budget
// among rules to bound them together.
type Budget struct {
	Left int

	room *walk // of the expansion before, to be used again
}

// ErrBudget says that a rule needs more work than its budget allows.
var ErrBudget = errors.New("the rule takes too much work to expand")

// errDateHours says that a rule of hours cannot be applied to a DATE.
var errDateHours = errors.New("an all-day event cannot repeat by hours, minutes or seconds")

// walk is one expansion.
type walk struct {
	rule   *Rule
	clock  Clock
	start  Instance
	budget *Budget
	yield  func(Instance) bool

	from, to   int64 // instants
	allDay     bool
	left       int64 // of COUNT; negative: no limit
	weekdays   uint8 // BYDAY as a set, for periods in which ordinals do not count
	startDay   [1]int
	startMonth [1]int
	times      []civil.Wall // of day, in order
	days       []civil.Day  // of the period at hand
	picks      []civil.Wall // the instances of the period at hand
	broke      bool         // the budget is spent

	timesRoom, picksRoom [8]civil.Wall // keep the common rules off the heap
	daysRoom             [8]civil.Day
}

// Expand calls yield, in the order of walls, for every instance of r at or after from and before to (instants), for an event that
// starts at start. allDay says that start is a DATE: BYHOUR, BYMINUTE and BYSECOND are then ignored (RFC 5545 3.3.10).
// It stops early when yield returns false. The error is [ErrBudget], or says that r does not suit a DATE.
//
// The cost is that of the periods within the range, however long ago start was, except for a rule with COUNT whose
// periods do not all yield alike: its instances have to be counted from the start.
func (r *Rule) Expand(start Instance, allDay bool, clock Clock, from, to int64, budget *Budget, yield func(Instance) bool) error {
	if r.Freq < Daily && allDay {
		return errDateHours
	}
	if r.Freq == Daily && r.Interval == 1 && len(r.Days) > 0 && r.onlyWeekdays() && len(r.SetPos) == 0 {
		weekly := *r // the same set, but one whose periods all yield alike, so that COUNT need not be counted out
		weekly.Freq, r = Weekly, &weekly
	}
	w := budget.room
	if w == nil {
		w = new(walk)
	}
	budget.room = nil // yield may expand another rule
	defer func() { budget.room = w }()
	*w = walk{rule: r, clock: clock, start: start, budget: budget, yield: yield, allDay: allDay, from: max(from, start.At), to: to, left: -1}
	if r.Count > 0 {
		w.left = r.Count
	}
	w.times, w.picks, w.days = w.timesRoom[:0], w.picksRoom[:0], w.daysRoom[:0]
	w.fill()
	if r.Freq < Daily {
		w.clockPeriods()
	} else {
		w.dayPeriods()
	}
	if w.broke {
		return ErrBudget
	}
	return nil
}

// fill takes from DTSTART what the rule does not say.
func (w *walk) fill() {
	r := w.rule
	day := w.start.Wall.Day()
	_, m, d := day.Date()
	w.startMonth[0], w.startDay[0] = m, d
	for _, d := range r.Days {
		w.weekdays |= 1 << d.Weekday
	}
	noDay := len(r.Days)+len(r.MonthDays)+len(r.YearDays) == 0
	if noDay && (r.Freq == Weekly || r.Freq == Yearly && len(r.Weeks) > 0) {
		w.weekdays = 1 << day.Weekday()
	}
	if r.Freq < Daily {
		return
	}
	sec := w.start.Wall.Second()
	if w.allDay || len(r.Hours)+len(r.Minutes)+len(r.Seconds) == 0 {
		w.times = append(w.times, civil.Wall(sec))
		return
	}
	hours, minutes, seconds := or(r.Hours, sec/3600), or(r.Minutes, sec/60%60), or(r.Seconds, sec%60)
	for _, h := range hours {
		for _, m := range minutes {
			for _, s := range seconds {
				w.times = append(w.times, civil.Wall(h*3600+m*60+s))
			}
		}
	}
	w.spend(len(w.times) / 4)
}

func or(list []int, v int) []int {
	if len(list) > 0 {
		return list
	}
	return []int{v}
}

// spend takes n from the budget, and reports whether there was enough.
func (w *walk) spend(n int) bool {
	w.budget.Left -= n
	if w.budget.Left < 0 {
		w.broke = true
	}
	return !w.broke
}
