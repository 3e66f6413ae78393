package settle

import (
	"cmp"
	"fmt"
	"math/big"
	"slices"
	"time"

	"spillway/actions"
)

// A likeDay is a day that the window's day is compared with.
type likeDay struct {
	date  Date
	cells []*big.Rat // microjoules in the window's intervals, matched by local clock time
	total *big.Rat
}

// likeDays looks back for like days, newest first, until there are as many as the terms ask for.
func (c *sum) likeDays() []likeDay {
	start := DateOf(c.w.Start, c.zone)
	wanted := c.terms.Days
	if c.terms.Like == "workday" && !c.workday(start) {
		wanted = c.terms.DaysOff
	}
	var found []likeDay
	back := Date(c.terms.LookBack / (24 * time.Hour))
	for d := start - 1; d >= start-back && len(found) < wanted; d-- {
		day, why := c.try(d, start)
		if why != "" {
			c.result.Considered = append(c.result.Considered, Considered{Date: d, Why: why})
			continue
		}
		found = append(found, day)
		said := Considered{Date: d, Used: true, KWh: kwh(day.total)}
		for _, e := range day.cells {
			said.Slots = append(said.Slots, kwh(e))
		}
		c.result.Considered = append(c.result.Considered, said)
	}
	return found
}

// try returns the day d as a like day, or why it is none (DESIGN, Meter and settlement).
func (c *sum) try(d, start Date) (likeDay, string) {
	switch {
	case !c.alike(d, start):
		return likeDay{}, "not of the same kind: " + c.kind(d)
	case c.anotherWindow(d):
		return likeDay{}, "another window that settles"
	case d.changes(c.zone):
		return likeDay{}, "the clocks change"
	case !c.meter.Covers(d.begin(c.zone), (d + 1).begin(c.zone)):
		return likeDay{}, "a gap in the data"
	}
	if name, out := c.books.LeaveOut[c.terms.LeaveOut][d]; out {
		return likeDay{}, "left out: " + name
	}
	day := likeDay{date: d, cells: make([]*big.Rat, len(c.cells)), total: new(big.Rat)}
	for i, cell := range c.cells {
		e, why := c.same(cell.From, cell.To, d-start)
		if why != "" {
			return likeDay{}, why
		}
		day.cells[i] = e
		day.total.Add(day.total, e)
	}
	return day, ""
}

// same returns the energy of the stretch [from, to) moved by so many days, at the same local clock time. Stretches after
// midnight lie on the next date; there no rule has looked at the day as a whole, so why says what spoils the stretch.
func (c *sum) same(from, to int64, days Date) (energy *big.Rat, why string) {
	date, seconds := local(from, c.zone)
	date += days
	at, ok := date.at(seconds, c.zone)
	if !ok {
		return nil, "the clocks change after midnight"
	}
	until := at + to - from
	energy = c.meter.Energy(at, until)
	if energy == nil {
		return nil, "a gap in the data after midnight"
	}
	for _, i := range c.busy[date] {
		w := c.books.Windows[i]
		if !same(w, c.w) && w.Start.Unix() < until && w.End.Unix() > at {
			return nil, "another window that settles after midnight"
		}
	}
	return energy, ""
}

// same reports whether two windows are one. A window that was over and came back at another time keeps its id.
func same(a, b actions.Window) bool { return a.ID == b.ID && a.Start.Equal(b.Start) }

// anotherWindow reports whether a window other than the one settled touches the date.
func (c *sum) anotherWindow(d Date) bool {
	return slices.ContainsFunc(c.busy[d], func(i int) bool { return !same(c.books.Windows[i], c.w) })
}

func (c *sum) workday(d Date) bool {
	switch d.Weekday() {
	case time.Saturday, time.Sunday:
		return false
	}
	_, holiday := c.books.Holidays[c.terms.Holidays][d]
	return !holiday
}

func (c *sum) alike(d, start Date) bool {
	switch c.terms.Like {
	case "every":
		return true
	case "weekday":
		return d.Weekday() == start.Weekday()
	}
	return c.workday(d) == c.workday(start)
}

// kind names what a day is, for people.
func (c *sum) kind(d Date) string {
	if name, holiday := c.books.Holidays[c.terms.Holidays][d]; holiday && c.terms.Like == "workday" {
		return "holiday, " + name
	}
	return d.Weekday().String()
}

// pick keeps those of the like days that the terms average, newest first.
func (c *sum) pick(found []likeDay) []likeDay {
	n, keep := len(found), c.terms.Keep
	if c.terms.Pick == "all" || c.terms.Pick == "" || n <= keep {
		return found
	}
	ranked := slices.Clone(found)
	sign := 1
	if c.terms.Pick == "highest" {
		sign = -1
	}
	slices.SortFunc(ranked, func(a, b likeDay) int {
		return cmp.Or(sign*a.total.Cmp(b.total), cmp.Compare(b.date, a.date)) // ties: the newer day first
	})
	low := 0
	if c.terms.Pick == "middle" {
		low = (n - keep) / 2
	}
	kept := ranked[low : low+keep]
	for i := range c.result.Considered {
		d := &c.result.Considered[i]
		if d.Used && !slices.ContainsFunc(kept, func(k likeDay) bool { return k.date == d.Date }) {
			d.Used, d.Why = false, fmt.Sprintf("a like day, but not of the %d kept (%s)", keep, c.terms.Pick)
		}
	}
	slices.SortFunc(kept, func(a, b likeDay) int { return cmp.Compare(b.date, a.date) })
	return kept
}
