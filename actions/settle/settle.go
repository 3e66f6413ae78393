package settle

import (
	"cmp"
	"fmt"
	"math/big"
	"slices"
	"time"

	"github.com/shopspring/decimal"

	"spillway/actions"
	"spillway/actions/meter"
)

// Books are what a settlement is made from.
type Books struct {
	Zone  *time.Location // of the premises; nil is UTC
	Meter *meter.Series

	// Windows are all known windows of procedures that settle, those to be settled among them: their days are no like
	// days of another. They reach back as far as like days are looked for.
	Windows []actions.Window

	Holidays map[string]Dates           // by feed name
	LeaveOut map[string]Dates           // by feed name
	Figures  map[string]*meter.Series   // the supplier's own baselines, by file name
	Recorded map[string]decimal.Decimal // credits that came, by window id
}

// A Settler settles windows from one set of books. It changes nothing once made, so many may use it at once.
type Settler struct {
	books Books
	zone  *time.Location
	meter *meter.Series
	busy  map[Date][]int // windows that touch a date, as indexes into books.Windows
}

// New returns a settler for the books, which must not change while it is used.
func New(b Books) *Settler {
	s := &Settler{books: b, zone: b.Zone, meter: b.Meter, busy: map[Date][]int{}}
	if s.zone == nil {
		s.zone = time.UTC
	}
	if s.meter == nil {
		s.meter = &meter.Series{}
	}
	for i, w := range b.Windows {
		if !w.End.After(w.Start) {
			continue
		}
		last, _ := local(w.End.Unix()-1, s.zone)
		for d := DateOf(w.Start, s.zone); d <= last; d++ {
			s.busy[d] = append(s.busy[d], i)
		}
	}
	return s
}

// All settles every window of the books that overlaps [from, to), under the terms of its procedure, by start and then id.
// Windows of procedures without terms are left out, also as days of another window.
func (s *Settler) All(p *actions.Premises, from, to time.Time) []Result {
	settling := s.Settling(p)
	var out []Result
	for _, w := range settling.books.Windows {
		if w.Start.Before(to) && w.End.After(from) {
			proc := p.Procedure(w.Procedure)
			out = append(out, settling.Window(w, proc.Direction, proc.Terms))
		}
	}
	slices.SortFunc(out, func(a, b Result) int {
		return cmp.Or(a.Window.Start.Compare(b.Window.Start), cmp.Compare(a.Window.ID, b.Window.ID))
	})
	return out
}

// Window settles one window under the terms, of which the newest that began by the window's local date applies.
func (s *Settler) Window(w actions.Window, direction actions.Direction, terms []actions.Terms) Result {
	c := &sum{Settler: s, w: w, result: Result{Window: w, Direction: direction}}
	c.result.Problems = append(c.result.Problems, w.Notes...)
	c.terms = current(terms, w.Start)
	c.result.Terms = c.terms
	c.cut()
	if c.terms == nil {
		c.problem("no terms apply on %s: they begin later", DateOf(w.Start, s.zone))
		return c.finish()
	}
	c.result.ExpectedBy = w.End.Add(c.terms.CreditAfter)
	c.baseline()
	c.gains()
	c.credit()
	return c.finish()
}

// current returns the terms with the latest start that is not after t, or nil.
func current(terms []actions.Terms, t time.Time) *actions.Terms {
	var best *actions.Terms
	for i := range terms {
		if terms[i].Since.After(t) {
			continue
		}
		if best == nil || !terms[i].Since.Before(best.Since) {
			best = &terms[i]
		}
	}
	return best
}

// A sum is one settlement being worked out. Its energies are in microjoules; finish turns them into kWh.
type sum struct {
	*Settler
	w      actions.Window
	terms  *actions.Terms
	result Result

	cells   []meter.Cell
	metered []*big.Rat // by cell; nil where not metered
	base    []*big.Rat // by cell; nil as a whole where there is no baseline
	like    []likeDay  // those averaged
	gain    []*big.Rat // by cell; nil as a whole where there is none
	total   *big.Rat   // gain over the window
}

func (c *sum) problem(format string, args ...any) {
	c.result.Problems = append(c.result.Problems, fmt.Sprintf(format, args...))
}

// cut finds the window's intervals and what was metered in them.
func (c *sum) cut() {
	from, to := c.w.Start.Unix(), c.w.End.Unix()
	if from >= to {
		return
	}
	c.cells = c.meter.Cells(from, to)
	c.metered = make([]*big.Rat, len(c.cells))
	estimated := 0
	for i, cell := range c.cells {
		if cell.Why == "" {
			c.metered[i] = c.meter.Energy(cell.From, cell.To)
		}
		if cell.Estimated {
			estimated++
		}
	}
	if estimated > 0 {
		c.problem("%d of %d readings are estimated or edited", estimated, len(c.cells))
	}
	c.sayGaps()
}

// sayGaps names each stretch of the window that was not metered.
func (c *sum) sayGaps() {
	for i := 0; i < len(c.cells); {
		j := i + 1
		for j < len(c.cells) && c.cells[j].Why == c.cells[i].Why {
			j++
		}
		if why := c.cells[i].Why; why != "" {
			c.problem("gap in the window: %s from %s to %s", why, c.clock(c.cells[i].From), c.clock(c.cells[j-1].To))
		}
		i = j
	}
}

// clock returns the instant for people: as clocks on the premises show it.
func (s *Settler) clock(instant int64) string {
	return time.Unix(instant, 0).In(s.zone).Format("Mon 2 Jan 2006 15:04 MST")
}

// gains works out what counts in each interval and over the window (DESIGN, Meter and settlement: floor).
func (c *sum) gains() {
	if c.base == nil {
		return
	}
	if c.result.Direction != actions.TurnUp && c.result.Direction != actions.TurnDown {
		c.problem("the procedure has no direction, so nothing is a gain: set direction to turn-up or turn-down")
		return
	}
	c.gain = c.gainsOver(c.base)
	c.total = c.over(c.gain)
	if c.total != nil {
		c.result.Likely = c.likely()
	}
}

// gainsOver returns the gain of each interval over a baseline, with the floor per interval where the terms have one.
func (c *sum) gainsOver(base []*big.Rat) []*big.Rat {
	out := make([]*big.Rat, len(c.cells))
	for i, m := range c.metered {
		if m == nil || base[i] == nil {
			continue
		}
		out[i] = new(big.Rat).Sub(m, base[i])
		if c.result.Direction == actions.TurnDown {
			out[i].Neg(out[i])
		}
		if c.terms.Floor == "interval" && out[i].Sign() < 0 {
			out[i].SetInt64(0)
		}
	}
	return out
}

// over returns the gain over the window, with the floor per window where the terms have one; nil where a part is unknown.
func (c *sum) over(gains []*big.Rat) *big.Rat {
	var t tally
	for _, g := range gains {
		t.add(g)
	}
	total := t.sum()
	if total != nil && c.terms.Floor == "window" && total.Sign() < 0 {
		total.SetInt64(0)
	}
	return total
}

// finish turns microjoules into kWh and closes the result.
func (c *sum) finish() Result {
	r := &c.result
	r.interval = c.interval()
	r.Slots = make([]Slot, len(c.cells))
	var metered, base tally
	for i, cell := range c.cells {
		s := &r.Slots[i]
		s.Start, s.End = time.Unix(cell.From, 0).UTC(), time.Unix(cell.To, 0).UTC()
		s.Metered = kwh(c.metered[i])
		if c.base != nil {
			s.Baseline = kwh(c.base[i])
		}
		if c.gain != nil {
			s.Gain = kwh(c.gain[i])
		}
		metered.add(s.Metered)
		base.add(s.Baseline)
	}
	r.Metered, r.Baseline, r.Gain = metered.sum(), base.sum(), kwh(c.total)
	if paid, ok := c.books.Recorded[c.w.ID]; ok {
		r.Recorded = &paid
		if r.Credit != nil {
			difference := paid.Sub(*r.Credit)
			r.Difference = &difference
		}
	}
	return *r
}

// kwh turns microjoules into kWh.
func kwh(r *big.Rat) *big.Rat {
	if r == nil {
		return nil
	}
	return new(big.Rat).Quo(r, new(big.Rat).SetInt64(int64(meter.KWh)))
}

// A tally is a sum that is not known once a part of it is not, nor without any part.
type tally struct {
	total   big.Rat
	parts   int
	unknown bool
}

func (t *tally) add(r *big.Rat) {
	if t.parts++; r == nil {
		t.unknown = true
		return
	}
	t.total.Add(&t.total, r)
}

func (t *tally) sum() *big.Rat {
	if t.unknown || t.parts == 0 {
		return nil
	}
	return new(big.Rat).Set(&t.total)
}
