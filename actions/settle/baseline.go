package settle

import (
	"fmt"
	"math/big"
	"slices"
	"strconv"
	"time"

	"spillway/actions"
	"spillway/actions/meter"
)

// baseline works out what the meter would have shown, by the rule that the terms name.
func (c *sum) baseline() {
	if len(c.cells) == 0 {
		c.problem("the window has no length")
		return
	}
	switch {
	case c.terms.Fixed != "":
		c.fixed()
	case c.terms.Figures != "":
		c.figures()
	case c.terms.SameDay != nil:
		c.sameDay(*c.terms.SameDay)
	default:
		c.fromLikeDays()
	}
	for _, b := range c.base {
		if b != nil && b.Sign() < 0 { // a baseline is never below zero
			b.SetInt64(0)
		}
	}
}

// fromLikeDays averages like days, interval by interval, and adjusts the mean by the same day's use (the "X of Y" of
// demand response: highest, middle or all X of the Y most recent like days).
func (c *sum) fromLikeDays() {
	found := c.likeDays()
	kept := c.pick(found)
	c.result.Days = dates(kept)
	c.result.Method = c.describe(len(found), len(kept))
	if len(found) < c.terms.Fewest || len(found) == 0 {
		c.result.Days = dates(found)
		for i := range c.result.Considered {
			c.result.Considered[i].Used = false
		}
		c.problem("too few like days: %d found in the %d days before, %d needed", len(found), int(c.terms.LookBack/(24*time.Hour)), max(1, c.terms.Fewest))
		return
	}
	c.like = kept
	c.base = make([]*big.Rat, len(c.cells))
	for i := range c.cells {
		c.base[i] = mean(kept, i)
	}
	c.adjust()
}

func dates(days []likeDay) []Date {
	out := make([]Date, 0, len(days))
	for _, d := range days {
		out = append(out, d.date)
	}
	return out
}

// mean returns the mean of cell i over the days.
func mean(days []likeDay, i int) *big.Rat {
	total := new(big.Rat)
	for _, d := range days {
		total.Add(total, d.cells[i])
	}
	return total.Quo(total, new(big.Rat).SetInt64(int64(len(days))))
}

// describe says in words how like days make the baseline.
func (c *sum) describe(found, kept int) string {
	start := DateOf(c.w.Start, c.zone)
	kind := "days"
	switch c.terms.Like {
	case "weekday":
		kind = start.Weekday().String() + "s"
	case "workday":
		if kind = "workdays"; !c.workday(start) {
			kind = "days off"
		}
	}
	if kept == found {
		return fmt.Sprintf("mean of %d %s", kept, kind)
	}
	return fmt.Sprintf("mean of the %d %s of %d %s", kept, c.terms.Pick, found, kind)
}

// fixed takes one figure for each whole interval (a firm level).
func (c *sum) fixed() {
	per, figure, err := price(c.terms.Fixed)
	if err != nil {
		c.problem("fixed baseline %q is no decimal number of kWh", c.terms.Fixed)
		return
	}
	c.result.Method = fmt.Sprintf("fixed, %s kWh per interval", figure)
	per.Mul(per, new(big.Rat).SetInt64(int64(meter.KWh)))
	length := c.interval()
	if length == 0 {
		c.problem("no meter data, so the interval of the fixed baseline is unknown")
		return
	}
	c.base = make([]*big.Rat, len(c.cells))
	for i, cell := range c.cells {
		c.base[i] = new(big.Rat).Mul(per, big.NewRat(cell.To-cell.From, length))
	}
}

// interval returns the length of the meter's intervals about the window, in seconds; 0 where there are none.
func (c *sum) interval() int64 {
	readings := c.meter.Readings()
	if len(readings) == 0 {
		return 0
	}
	i, _ := slices.BinarySearchFunc(readings, c.w.Start.Unix(), func(r meter.Reading, at int64) int {
		if r.To <= at {
			return -1
		}
		return 1
	})
	r := readings[min(i, len(readings)-1)]
	return r.To - r.From
}

// figures takes the supplier's own baseline.
func (c *sum) figures() {
	c.result.Method = "the supplier's own figures, " + c.terms.Figures
	given := c.books.Figures[c.terms.Figures]
	if given == nil {
		c.problem("the supplier's figures in %s were not read", c.terms.Figures)
		return
	}
	c.base = make([]*big.Rat, len(c.cells))
	for i, cell := range c.cells {
		c.base[i] = given.Energy(cell.From, cell.To)
		if c.base[i] == nil {
			c.problem("the supplier's figures say nothing from %s to %s", c.clock(cell.From), c.clock(cell.To))
		}
	}
}

// sameDay takes the mean power of stretches before and after the window on its own day.
func (c *sum) sameDay(rule actions.SameDay) {
	c.result.Method = "mean of the same day around the window"
	start, end := c.w.Start.Unix(), c.w.End.Unix()
	stretches := [][2]int64{
		{start - seconds(rule.BeforeFrom), start - seconds(rule.BeforeTo)},
		{end + seconds(rule.AfterFrom), end + seconds(rule.AfterTo)},
	}
	total, length := new(big.Rat), int64(0)
	for _, s := range stretches {
		if s[0] >= s[1] {
			continue
		}
		e := c.meter.Energy(s[0], s[1])
		if e == nil {
			c.problem("gap in the same day's use from %s to %s: no baseline", c.clock(s[0]), c.clock(s[1]))
			return
		}
		total.Add(total, e)
		length += s[1] - s[0]
	}
	if length == 0 {
		c.problem("the terms name no stretch of the same day")
		return
	}
	total.Quo(total, new(big.Rat).SetInt64(length))
	c.base = make([]*big.Rat, len(c.cells))
	for i, cell := range c.cells {
		c.base[i] = new(big.Rat).Mul(total, new(big.Rat).SetInt64(cell.To-cell.From))
	}
}

func seconds(d time.Duration) int64 { return int64(d / time.Second) }

// exact returns a configured ratio as the decimal that was written.
func exact(x float64) *big.Rat {
	r, ok := new(big.Rat).SetString(strconv.FormatFloat(x, 'f', -1, 64))
	if !ok { // NaN and infinities: no ratio
		return new(big.Rat)
	}
	return r
}
