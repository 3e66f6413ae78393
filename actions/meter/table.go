package meter

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

// A table turns rows into readings, all of them or none.
type table struct {
	rows   []row
	shape  *shape
	layout Layout
	say    func(string)
}

func (t *table) readings() ([]Reading, []Hole, error) {
	order, err := t.order()
	if err != nil {
		return nil, nil, err
	}
	t.turn(order)
	if err := t.resolve(order); err != nil {
		return nil, nil, err
	}
	t.rows = slices.DeleteFunc(t.rows, func(r row) bool { return r.dropped })
	if err := t.lengths(); err != nil {
		return nil, nil, err
	}
	if t.layout.Register {
		return t.differences()
	}
	if err := t.checkValues(); err != nil {
		return nil, nil, err
	}
	return t.convert()
}

// convert turns values into energies.
func (t *table) convert() ([]Reading, []Hole, error) {
	readings := make([]Reading, 0, len(t.rows))
	var holes []Hole
	rounded := 0
	for _, r := range t.rows {
		if r.empty {
			holes = append(holes, Hole{r.from, r.to, Empty})
			continue
		}
		e, cut, err := t.shape.unit.energy(r.value, r.to-r.from)
		if err != nil {
			return nil, nil, atLine(r.line, "%s %s %w: is the unit right?", r.value, t.shape.unit.name, err)
		}
		if cut {
			rounded++
		}
		readings = append(readings, Reading{From: r.from, To: r.to, Energy: e})
	}
	if rounded > 0 {
		t.say(count(rounded, "value is", "values are") + " finer than a microjoule: rounded half to even")
	}
	if len(readings) == 0 {
		return nil, nil, errNothing
	}
	return readings, holes, nil
}

// An order picks one of the two readings of an all-number date.
type order func(moment) int64

func dayFirst(m moment) int64 { return m.dayFirst }

func monthFirst(m moment) int64 { return m.monthFirst }

// order tells whether days or months come first, from the layout or from all dates of the file.
func (t *table) order() (order, error) {
	switch t.layout.Dates {
	case "dmy":
		return dayFirst, t.allDates(dayFirst)
	case "mdy":
		return monthFirst, t.allDates(monthFirst)
	}
	day, month, differ := true, true, false
	for _, r := range t.rows {
		day = day && r.start.dayFirst != noWall
		month = month && r.start.monthFirst != noWall
		differ = differ || r.start.dayFirst != r.start.monthFirst
	}
	switch {
	case !differ:
		return dayFirst, nil
	case day && !month:
		t.say("took the day first in its dates, as some would have no such month")
		return dayFirst, nil
	case month && !day:
		t.say("took the month first in its dates, as some would have no such month")
		return monthFirst, nil
	case !day:
		return nil, errors.New("has dates that are neither all day first nor all month first")
	}
	byDay, byMonth := t.steady(dayFirst), t.steady(monthFirst)
	switch {
	case byDay > byMonth:
		t.say("took the day first in its dates, as they then follow each other")
		return dayFirst, nil
	case byMonth > byDay:
		t.say("took the month first in its dates, as they then follow each other")
		return monthFirst, nil
	}
	return nil, errors.New("has dates such as 05/06 that can be read either way: set the order of dates to dmy or mdy")
}

func (t *table) allDates(wall order) error {
	for _, r := range t.rows {
		if wall(r.start) == noWall || r.end != (moment{}) && wall(r.end) == noWall {
			return atLine(r.line, "the date has no such month or day in the order %q", t.layout.Dates)
		}
	}
	return nil
}

// steady counts the steps between rows that are an hour at most.
func (t *table) steady(wall order) int {
	n := 0
	for i := 1; i < len(t.rows); i++ {
		step := wall(t.rows[i].start) - wall(t.rows[i-1].start)
		if step > -3601 && step < 3601 {
			n++
		}
	}
	return n
}

// turn puts a file with the newest row first the right way round.
func (t *table) turn(wall order) {
	up, down := 0, 0
	for i := 1; i < len(t.rows); i++ {
		switch step := wall(t.rows[i].start) - wall(t.rows[i-1].start); {
		case step > 0:
			up++
		case step < 0:
			down++
		}
	}
	if down > up {
		slices.Reverse(t.rows)
		t.say("its newest row comes first: read backwards")
	} else if down > 3 { // an autumn change steps back once a year
		t.say(fmt.Sprintf("its rows are out of order in %d places: sorted", down))
	}
}

// resolve turns wall times into instants.
func (t *table) resolve(wall order) error {
	if t.rows[0].period > 0 {
		return t.resolvePeriods(wall)
	}
	starts := resolver{zone: t.layout.zone(), end: t.shape.end, wall: wall, prev: noWall}
	ends := resolver{zone: t.layout.zone(), end: true, wall: wall, prev: noWall}
	skipped := 0
	_, both := t.shape.columns["end"]
	for i := range t.rows {
		r := &t.rows[i]
		at, err := starts.instant(r.start)
		if errors.Is(err, errSkipped) && (r.empty || r.value.IsZero()) {
			r.dropped = true
			skipped++
			continue
		}
		if err != nil {
			return &lineError{r.line, err}
		}
		r.from = at
		if !both {
			continue
		}
		ends.prev = at
		if r.to, err = ends.instant(r.end); err != nil {
			return &lineError{r.line, err}
		}
		if r.to <= r.from {
			return atLine(r.line, "its end is not after its start")
		}
	}
	if skipped > 0 {
		t.say(count(skipped, "empty row", "empty rows") + " in an hour that the clocks skip: left out")
	}
	if once := starts.once(); len(once) > 0 {
		t.say(fmt.Sprintf("stamps in the hour that the clocks repeat come once (%s): taken as the first pass", some(once)))
	}
	return nil
}

// resolvePeriods counts intervals from local midnight, so that a clock-change day has fewer or more of them (46 or 50 half
// hours; Elexon glossary, Settlement Period).
func (t *table) resolvePeriods(wall order) error {
	most := 0
	for _, r := range t.rows {
		most = max(most, r.period)
	}
	length := int64(t.layout.Interval / time.Second)
	for _, minutes := range []int64{60, 30, 15, 5} {
		if length == 0 && int64(most) <= 25*60/minutes {
			length = minutes * 60
			t.say(fmt.Sprintf("took its intervals as %d minutes, as no day has more than %d", minutes, most))
		}
	}
	if length == 0 {
		return fmt.Errorf("has %d intervals in a day: 5, 15, 30 and 60 minutes are read", most)
	}
	for i := range t.rows {
		r := &t.rows[i]
		midnight := wall(r.start)
		if mod(midnight, 86400) != 0 {
			return atLine(r.line, "a date with the number of an interval must be a date alone")
		}
		begins := Instants(t.layout.zone(), midnight)
		if len(begins) == 0 {
			return atLine(r.line, "the day begins in an hour that the clocks skip")
		}
		r.from = begins[0] + int64(r.period-1)*length
		if next := Instants(t.layout.zone(), midnight+86400); len(next) > 0 && r.from >= next[0] {
			return atLine(r.line, "the day has no interval %d", r.period)
		}
		r.to = r.from + length
	}
	return nil
}

var errSkipped = errors.New("that hour is skipped by the clocks")

// A resolver turns the wall times of one column into instants, in the order of the file.
type resolver struct {
	zone *time.Location
	end  bool // the stamps are ends of intervals
	wall order
	prev int64
	seen map[int64]int // stamps that the clocks repeat, how often they came
}

func (v *resolver) instant(m moment) (int64, error) {
	wall := v.wall(m)
	if wall == noWall {
		return 0, errors.New("a date that is none in the order of the other dates")
	}
	if m.offset != noOffset {
		v.prev = wall - int64(m.offset)
		return v.prev, nil
	}
	candidates := Instants(v.zone, wall)
	twice := len(candidates) == 2
	if v.end {
		// The end of an interval is also the instant after its last second: on a change it may be written either way.
		ends := Instants(v.zone, wall-1)
		twice = twice && len(ends) == 2
		for _, c := range ends {
			candidates = append(candidates, c+1)
		}
		slices.Sort(candidates)
		candidates = slices.Compact(candidates)
	}
	if m.abbreviation != "" {
		return v.named(m, candidates)
	}
	if len(candidates) == 0 {
		return 0, fmt.Errorf("%s does not exist in %s, %w: is the zone of its stamps another, such as UTC?",
			time.Unix(wall, 0).UTC().Format("2006-01-02 15:04"), v.zone, errSkipped)
	}
	if twice {
		if v.seen == nil {
			v.seen = map[int64]int{}
		}
		v.seen[wall]++
	}
	at := candidates[0]
	for _, c := range candidates {
		if c > v.prev {
			at = c
			break
		}
	}
	v.prev = at
	return at, nil
}

// named picks the instant at which the zone goes by the abbreviation.
func (v *resolver) named(m moment, candidates []int64) (int64, error) {
	for _, c := range candidates {
		if name, _ := time.Unix(c, 0).In(v.zone).Zone(); strings.EqualFold(name, m.abbreviation) {
			v.prev = c
			return c, nil
		}
	}
	return 0, fmt.Errorf("%q is not what clocks in %s go by then: write an offset such as +01:00, or set the zone", m.abbreviation, v.zone)
}

// once returns the stamps of a repeated hour that came only once.
func (v *resolver) once() []string {
	var walls []int64
	for wall, n := range v.seen {
		if n == 1 {
			walls = append(walls, wall)
		}
	}
	slices.Sort(walls)
	var out []string
	for _, w := range walls {
		out = append(out, time.Unix(w, 0).UTC().Format("2006-01-02 15:04"))
	}
	return out
}
