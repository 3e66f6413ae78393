package settle

import (
	"math/big"
	"slices"
	"time"

	"spillway/actions"
)

// likely returns the spread of gains that the like days make, were each of them the baseline by itself: from the tenth to
// the ninetieth of a hundred. It is nil for a baseline that is not of like days.
func (c *sum) likely() *Range {
	if len(c.like) < 2 {
		return nil
	}
	gains := make([]*big.Rat, 0, len(c.like))
	for _, d := range c.like {
		gains = append(gains, c.over(c.gainsOver(atLeastZero(d.cells))))
	}
	slices.SortFunc(gains, (*big.Rat).Cmp)
	return &Range{Low: kwh(quantile(gains, big.NewRat(1, 10))), High: kwh(quantile(gains, big.NewRat(9, 10)))}
}

func atLeastZero(cells []*big.Rat) []*big.Rat {
	out := slices.Clone(cells)
	for i, e := range out {
		if e.Sign() < 0 {
			out[i] = new(big.Rat)
		}
	}
	return out
}

// quantile returns the p-quantile of sorted values, interpolated between neighbours (type 7 of Hyndman and Fan 1996, The
// American Statistician 50(4)).
func quantile(sorted []*big.Rat, p *big.Rat) *big.Rat {
	h := new(big.Rat).Mul(p, new(big.Rat).SetInt64(int64(len(sorted)-1)))
	floor := new(big.Int).Quo(h.Num(), h.Denom())
	i := int(floor.Int64())
	if i+1 >= len(sorted) {
		return new(big.Rat).Set(sorted[len(sorted)-1])
	}
	share := h.Sub(h, new(big.Rat).SetInt(floor))
	step := new(big.Rat).Sub(sorted[i+1], sorted[i])
	return step.Add(step.Mul(step, share), sorted[i])
}

// An Outlook is what a window to come is likely to bring. Energies are in kWh; what is not known is nil.
type Outlook struct {
	Baseline *big.Rat // over the window, before any same-day adjustment
	Usual    *Range   // use of the like days in the window, from the tenth to the ninetieth of a hundred
	Gain     *big.Rat // what the plan adds (turn-up) or saves (turn-down)
	Likely   *Range   // of the gain, were the day as the like days are
	Credit   *big.Rat // exact, in the terms' currency
	Currency string
	Days     []Date
	Problems []string
}

// Outlook foretells a window that the meter has not seen yet. Planned is what the plan adds to the use of the premises in
// the window, in kWh (below zero: takes off it). The meter is expected to show the like days' use and that.
func (s *Settler) Outlook(w actions.Window, direction actions.Direction, terms []actions.Terms, planned *big.Rat) Outlook {
	c := &sum{Settler: s, w: w, result: Result{Window: w, Direction: direction}, terms: current(terms, w.Start)}
	if c.terms == nil {
		return Outlook{Problems: []string{"no terms apply then"}}
	}
	c.cells = s.meter.Cells(w.Start.Unix(), w.End.Unix())
	c.metered = make([]*big.Rat, len(c.cells))
	plain := *c.terms
	plain.Adjust = "none" // the same day's use is not known yet
	c.terms = &plain
	c.baseline()
	out := Outlook{Currency: plain.Currency, Days: c.result.Days}
	out.Baseline = kwh(c.whole(c.base))
	out.Usual = c.usual()
	out.Gain = new(big.Rat).Set(planned)
	if direction == actions.TurnDown {
		out.Gain.Neg(out.Gain)
	}
	if plain.Floor != "none" && out.Gain.Sign() < 0 {
		out.Gain.SetInt64(0)
	}
	if out.Usual != nil && out.Baseline != nil {
		out.Likely = around(out.Gain, out.Usual, out.Baseline, direction)
	}
	if rate, _, err := price(s.firstRate(c)); err == nil && plain.Rate != "" {
		out.Credit = rate.Mul(rate, out.Gain)
	}
	out.Problems = c.result.Problems
	return out
}

func (s *Settler) firstRate(c *sum) string {
	if len(c.cells) == 0 {
		return c.terms.Rate
	}
	return c.rateAt(c.cells[0].From)
}

// whole returns the sum of the cells, or nil where there is no baseline.
func (c *sum) whole(cells []*big.Rat) *big.Rat {
	var t tally
	for _, e := range cells {
		t.add(e)
	}
	return t.sum()
}

// usual returns the spread of the like days' use.
func (c *sum) usual() *Range {
	if len(c.like) < 2 {
		return nil
	}
	uses := make([]*big.Rat, 0, len(c.like))
	for _, d := range c.like {
		uses = append(uses, d.total)
	}
	slices.SortFunc(uses, (*big.Rat).Cmp)
	return &Range{Low: kwh(quantile(uses, big.NewRat(1, 10))), High: kwh(quantile(uses, big.NewRat(9, 10)))}
}

// around moves the spread of use about the gain: a day that uses more than the baseline by itself gains more on turn-up and
// less on turn-down.
func around(gain *big.Rat, usual *Range, baseline *big.Rat, direction actions.Direction) *Range {
	low := new(big.Rat).Sub(usual.Low, baseline)
	high := new(big.Rat).Sub(usual.High, baseline)
	if direction == actions.TurnDown {
		low, high = high.Neg(high), low.Neg(low)
	}
	return &Range{Low: low.Add(low, gain), High: high.Add(high, gain)}
}

// A Change is what a plan adds to the use of the premises from From to To: its mean power in W, below zero where it takes
// off it.
type Change struct {
	From, To time.Time
	W        int64
}

// An Influence is what a lead-in does to the credit by way of the same-day adjustment. Energies are in kWh.
type Influence struct {
	From, To time.Time // the stretch that the adjustment compares
	Energy   *big.Rat  // what the lead-in adds to the use in it; below zero: takes off it
	Baseline *big.Rat  // by how much that moves the window's baseline
	Gain     *big.Rat  // and so the gain, before any floor
	Credit   *big.Rat  // and so the credit, exact, in the terms' currency; nil without one rate
	Currency string
}

// LeadIn returns what the changes do to the window's baseline by way of the adjustment of its terms, or nil where they do
// nothing: no adjustment, or no change in the stretch it compares. The day is expected to be as the like days are but for
// the changes, so that a ratio starts from one. Raising or lowering use beforehand in order to move a baseline may breach
// the supplier's terms.
func (s *Settler) LeadIn(w actions.Window, direction actions.Direction, terms []actions.Terms, changes []Change) *Influence {
	c := &sum{Settler: s, w: w, result: Result{Window: w, Direction: direction}, terms: current(terms, w.Start)}
	if c.terms == nil || c.terms.Adjust != "add" && c.terms.Adjust != "scale" || c.terms.Fixed != "" || c.terms.Figures != "" || c.terms.SameDay != nil {
		return nil
	}
	from, to := w.Start.Unix()-seconds(c.terms.AdjustFrom), w.Start.Unix()-seconds(c.terms.AdjustTo)
	energy := within(changes, from, to)
	if from >= to || energy.Sign() == 0 {
		return nil
	}
	out := &Influence{From: time.Unix(from, 0).UTC(), To: time.Unix(to, 0).UTC(), Energy: kwh(energy), Currency: c.terms.Currency}
	moved := c.moves(energy, from, to)
	if moved == nil {
		return out
	}
	out.Baseline = kwh(moved)
	out.Gain = new(big.Rat).Set(out.Baseline)
	if direction == actions.TurnUp {
		out.Gain.Neg(out.Gain)
	}
	if rate, _, err := price(c.terms.Rate); err == nil && len(c.terms.Rates) == 0 {
		out.Credit = rate.Mul(rate, out.Gain)
	}
	return out
}

// within returns the energy of the changes in [from, to), in microjoules.
func within(changes []Change, from, to int64) *big.Rat {
	total := new(big.Rat)
	for _, ch := range changes {
		if length := min(to, ch.To.Unix()) - max(from, ch.From.Unix()); length > 0 {
			e := new(big.Rat).SetInt64(ch.W)
			total.Add(total, e.Mul(e, new(big.Rat).SetInt64(length*1_000_000)))
		}
	}
	return total
}

// moves returns by how much so much energy in the stretch moves the window's baseline, or nil where that cannot be told.
func (c *sum) moves(energy *big.Rat, from, to int64) *big.Rat {
	length := c.w.End.Unix() - c.w.Start.Unix()
	if c.terms.AdjustOnly == "up" && energy.Sign() < 0 {
		return new(big.Rat)
	}
	if c.terms.Adjust == "add" {
		return new(big.Rat).Mul(energy, big.NewRat(length, to-from))
	}
	c.cells = c.meter.Cells(c.w.Start.Unix(), c.w.End.Unix())
	found := c.likeDays()
	if len(found) == 0 || len(found) < c.terms.Fewest {
		return nil
	}
	c.like = c.pick(found)
	stretch, _ := c.stretch(c.meter.Cells(from, to))
	if stretch == nil || stretch.Sign() <= 0 {
		return nil
	}
	one := new(big.Rat).SetInt64(1)
	scale := clamp(energy.Add(one, energy.Quo(energy, stretch)), c.terms.AdjustCap)
	base := make([]*big.Rat, len(c.cells))
	for i := range c.cells {
		base[i] = mean(c.like, i)
	}
	return scale.Mul(scale.Sub(scale, one), c.whole(base))
}

// moved returns the energy of the stretch [from, to) moved by so many days, at the same local clock time, or nil.
func (c *sum) moved(from, to int64, days Date) *big.Rat {
	date, clock := local(from, c.zone)
	at, ok := (date + days).at(clock, c.zone)
	if !ok {
		return nil
	}
	return c.meter.Energy(at, at+to-from)
}
