package recur

import (
	"slices"

	"spillway/calendar/civil"
)

// clockPeriods walks a rule of hours, minutes or seconds. Its periods are counted in elapsed time from DTSTART: through a
// clock change an hourly rule neither doubles nor leaves out an hour (a walk on wall-clock time does both). What the wall
// clock shows then decides whether a period matches.
func (w *walk) clockPeriods() {
	r := w.rule
	unit := [...]int64{Secondly: 1, Minutely: 60, Hourly: 3600}[r.Freq]
	step := unit * r.Interval
	first := w.start.At - int64(w.start.Wall.Second())%unit // the beginning of DTSTART's own hour or minute
	k := int64(0)
	skip := max(0, (w.from-unit-first)/step)
	if counted := w.left >= 0; !counted {
		k = skip
	} else if r.noParts() {
		k = skip
		w.left = max(0, w.left-skip)
	}
	last := w.to
	if r.HasUntil {
		last = min(last, int64(r.Until.Wall)+slack)
	}
	for at := first + k*step; at < last && w.spend(1); {
		wall := w.clock.Wall(at)
		if miss := w.mismatch(wall); miss > 0 {
			at += (miss + step - 1) / step * step
			continue
		}
		if !w.emitClock(at, wall, unit) {
			return
		}
		at += step
	}
}

// noParts reports whether each period of r yields exactly one instance.
func (r *Rule) noParts() bool {
	return r.onlyWeekdays() && len(r.Days)+len(r.Hours)+len(r.Minutes)+len(r.Seconds)+len(r.SetPos) == 0
}

// mismatch returns 0 if the period at wall matches; else the seconds for which it certainly does not.
func (w *walk) mismatch(wall civil.Wall) int64 {
	r, s := w.rule, wall.Second()
	switch {
	case !w.dayMatches(wall.Day()):
		// Clocks change by whole hours or less around midnight: come back early rather than late.
		return max(civil.SecondsPerDay-int64(s)-7200, 3600-int64(s)%3600)
	case len(r.Hours) > 0 && !slices.Contains(r.Hours, s/3600):
		return 3600 - int64(s)%3600
	case r.Freq < Hourly && len(r.Minutes) > 0 && !slices.Contains(r.Minutes, s/60%60):
		return 60 - int64(s)%60
	case r.Freq < Minutely && len(r.Seconds) > 0 && !slices.Contains(r.Seconds, s%60):
		next := 60
		if i, _ := slices.BinarySearch(r.Seconds, s%60); i < len(r.Seconds) {
			next = r.Seconds[i]
		}
		return int64(next - s%60)
	}
	return 0
}

// emitClock hands on the instances of the period that begins at at, and reports whether to go on.
func (w *walk) emitClock(at int64, wall civil.Wall, unit int64) bool {
	r, s := w.rule, w.start.Wall.Second()
	minutes, seconds := []int{0}, []int{0}
	if unit >= 3600 {
		minutes = or(r.Minutes, s/60%60)
	}
	if unit >= 60 {
		seconds = or(r.Seconds, s%60)
	}
	n := len(minutes) * len(seconds)
	pick := func(i int) bool {
		off := int64(minutes[i/len(seconds)]*60 + seconds[i%len(seconds)])
		in := Instance{wall + civil.Wall(off), at + off}
		if in.At < w.start.At || w.clock.Wall(in.At) != in.Wall { // the clock changed within the hour
			return true
		}
		return w.instance(in)
	}
	w.spend(n + len(r.SetPos))
	if len(r.SetPos) > 0 {
		for _, i := range positions(r.SetPos, n) {
			if !pick(i) {
				return false
			}
		}
		return !w.broke
	}
	for i := range n {
		if !pick(i) {
			return false
		}
	}
	return !w.broke
}
