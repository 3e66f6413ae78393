package settle

import (
	"math/big"
	"slices"
	"time"

	"github.com/shopspring/decimal"
)

// credit works out what the gain is worth. The sum over the window is exact and rounded once, half-even, to the currency's
// minor unit.
func (c *sum) credit() {
	r := &c.result
	r.Currency = c.terms.Currency
	if c.terms.Rate == "" && len(c.terms.Rates) == 0 {
		c.problem("the terms have no rate, so there is no credit")
		return
	}
	rates, ok := c.rates()
	if !ok {
		return
	}
	if c.total == nil {
		return
	}
	worth := new(big.Rat)
	if r.Rate != nil { // one rate: the floor per window counts
		worth.Mul(c.total, r.Rate.Rat())
	} else {
		for i, g := range c.gain {
			worth.Add(worth, new(big.Rat).Mul(g, rates[i]))
		}
		if c.terms.Floor == "window" && c.total.Sign() == 0 {
			worth.SetInt64(0)
		}
	}
	credit := halfEven(kwh(worth), minorUnits(r.Currency))
	r.Credit = &credit
}

// rates returns the rate of each interval, and sets the result's where it is one for all.
func (c *sum) rates() ([]*big.Rat, bool) {
	out := make([]*big.Rat, len(c.cells))
	var texts []string
	var one decimal.Decimal
	for i, cell := range c.cells {
		written := c.rateAt(cell.From)
		rate, d, err := price(written)
		if err != nil {
			c.problem("%v", err)
			return nil, false
		}
		out[i], one = rate, d
		if !slices.Contains(texts, written) {
			texts = append(texts, written)
		}
	}
	if len(texts) == 1 {
		c.result.Rate = &one
	}
	return out, true
}

// rateAt returns the rate of an interval that begins at the instant: the first timed one that covers its local clock time,
// else the rate of the terms.
func (c *sum) rateAt(instant int64) string {
	_, s := local(instant, c.zone)
	clock := time.Duration(s) * time.Second
	for _, t := range c.terms.Rates {
		inside := clock >= t.From && clock < t.To
		if t.To <= t.From {
			inside = clock >= t.From || clock < t.To
		}
		if inside {
			return t.Rate
		}
	}
	if c.terms.Rate == "" {
		return "0"
	}
	return c.terms.Rate
}
