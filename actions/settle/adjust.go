package settle

import (
	"fmt"
	"math/big"
	"time"

	"spillway/actions/meter"
)

// adjust moves the baseline by the same day's use before the window (DESIGN, Meter and settlement): a flat amount for
// each interval (add), or a factor within a cap (scale).
func (c *sum) adjust() {
	if c.terms.Adjust != "add" && c.terms.Adjust != "scale" {
		return
	}
	a := c.compare()
	if a == nil {
		return
	}
	said := &Adjustment{From: time.Unix(a.from, 0).UTC(), To: time.Unix(a.to, 0).UTC(), Metered: kwh(a.metered), Baseline: kwh(a.baseline)}
	c.result.Adjustment = said
	apply := c.added
	if c.terms.Adjust == "scale" {
		apply = c.scaled
	}
	move := apply(a, said)
	for i, cell := range c.cells {
		c.base[i] = move(c.base[i], cell)
	}
	for _, d := range c.like { // the days' spread moves with their mean
		for i, cell := range c.cells {
			d.cells[i] = move(d.cells[i], cell)
		}
	}
}

// A comparison is the stretch before the window on its day and on the like days, in microjoules.
type comparison struct {
	from, to          int64
	metered, baseline *big.Rat
}

// compare returns the stretch, or nil where it cannot be compared; then it has said so.
func (c *sum) compare() *comparison {
	a := &comparison{from: c.w.Start.Unix() - seconds(c.terms.AdjustFrom), to: c.w.Start.Unix() - seconds(c.terms.AdjustTo)}
	if a.from >= a.to {
		c.problem("no adjustment: adjust_from is not before adjust_to")
		return nil
	}
	where := fmt.Sprintf("from %s to %s", c.clock(a.from), c.clock(a.to))
	if a.metered = c.meter.Energy(a.from, a.to); a.metered == nil {
		c.problem("no adjustment: a gap in the same day's use %s", where)
		return nil
	}
	var gap Date
	if a.baseline, gap = c.stretch(c.meter.Cells(a.from, a.to)); a.baseline == nil {
		c.problem("no adjustment: like day %s has a gap in the stretch %s", gap, where)
		return nil
	}
	if a.baseline.Sign() <= 0 {
		c.problem("no adjustment: the like days used nothing in the stretch %s", where)
		return nil
	}
	for _, w := range c.books.Windows {
		if !same(w, c.w) && w.Start.Unix() < a.to && w.End.Unix() > a.from {
			c.problem("another window that settles lies in the stretch that the adjustment compares, %s", where)
			break
		}
	}
	return a
}

// stretch returns the mean energy of the like days in the cells, or the first day that has a gap there.
func (c *sum) stretch(cells []meter.Cell) (*big.Rat, Date) {
	start := DateOf(c.w.Start, c.zone)
	total := new(big.Rat)
	for _, d := range c.like {
		for _, cell := range cells {
			e := c.moved(cell.From, cell.To, d.date-start)
			if e == nil {
				return nil, d.date
			}
			total.Add(total, e)
		}
	}
	return total.Quo(total, new(big.Rat).SetInt64(int64(len(c.like)))), 0
}

// added spreads the difference over time, so that each interval of the stretch's length gets an equal amount.
func (c *sum) added(a *comparison, said *Adjustment) func(*big.Rat, meter.Cell) *big.Rat {
	difference := new(big.Rat).Sub(a.metered, a.baseline)
	if c.terms.AdjustOnly == "up" && difference.Sign() < 0 {
		difference.SetInt64(0)
	}
	rate := difference.Quo(difference, new(big.Rat).SetInt64(a.to-a.from)) // microjoules a second
	per := new(big.Rat).SetInt64(c.interval())
	said.Interval = kwh(per.Mul(per, rate))
	c.result.Method += fmt.Sprintf(", %s kWh added to each interval", signed(said.Interval))
	return func(b *big.Rat, cell meter.Cell) *big.Rat {
		share := new(big.Rat).SetInt64(cell.To - cell.From)
		return share.Add(share.Mul(share, rate), b)
	}
}

// scaled multiplies by metered to baseline, within the cap.
func (c *sum) scaled(a *comparison, said *Adjustment) func(*big.Rat, meter.Cell) *big.Rat {
	said.Ratio = new(big.Rat).Quo(a.metered, a.baseline)
	said.Scale = clamp(said.Ratio, c.terms.AdjustCap)
	one := new(big.Rat).SetInt64(1)
	if c.terms.AdjustOnly == "up" && said.Scale.Cmp(one) < 0 {
		said.Scale = one
	}
	c.result.Method += ", multiplied by " + text(said.Scale, 6)
	if said.Scale.Cmp(said.Ratio) != 0 {
		c.result.Method += fmt.Sprintf(" (%s before the cap)", text(said.Ratio, 6))
	}
	return func(b *big.Rat, _ meter.Cell) *big.Rat { return new(big.Rat).Mul(b, said.Scale) }
}

// clamp keeps the ratio within 1 - limit to 1 + limit; a limit below zero is none.
func clamp(ratio *big.Rat, limit float64) *big.Rat {
	if limit < 0 {
		return ratio
	}
	one := new(big.Rat).SetInt64(1)
	low, high := new(big.Rat).Sub(one, exact(limit)), new(big.Rat).Add(one, exact(limit))
	switch {
	case ratio.Cmp(low) < 0:
		return low
	case ratio.Cmp(high) > 0:
		return high
	}
	return ratio
}

func signed(r *big.Rat) string {
	if r.Sign() < 0 {
		return text(r, 6)
	}
	return "+" + text(r, 6)
}
