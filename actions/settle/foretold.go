package settle

import (
	"fmt"
	"math/big"
	"strings"
	"time"

	"spillway/actions"
)

// Settling returns a settler that knows the windows of procedures that settle and no others, as [Settler.All] does.
func (s *Settler) Settling(p *actions.Premises) *Settler {
	books := s.books
	books.Windows = nil
	for _, w := range s.books.Windows {
		if proc := p.Procedure(w.Procedure); proc != nil && len(proc.Terms) > 0 {
			books.Windows = append(books.Windows, w)
		}
	}
	return New(books)
}

// Words says what a window is likely to bring in one line, and why where nothing can be told.
func (o *Outlook) Words() string {
	if o.Baseline == nil {
		why := strings.Join(o.Problems, "; ")
		if why == "" {
			why = "the meter data does not tell"
		}
		return "no baseline yet: " + why
	}
	s := "baseline " + energy(o.Baseline)
	if len(o.Days) > 0 {
		s += fmt.Sprintf(" (of %s)", counted(len(o.Days), "like day"))
	}
	s += ", expected gain " + energy(o.Gain)
	if o.Likely != nil {
		s += " (likely " + spread(o.Likely) + ")"
	}
	if o.Credit != nil {
		s += ", worth " + worth(o.Credit, o.Currency)
	}
	return s
}

func worth(r *big.Rat, currency string) string {
	units := minorUnits(currency)
	return strings.TrimSpace(halfEven(r, units).StringFixed(int32(units)) + " " + currency)
}

// Words says what the lead-in does to the credit in one line.
func (i *Influence) Words(zone *time.Location) string {
	s := fmt.Sprintf("the lead-in %s the use from %s to %s, which the adjustment compares", moves(i.Energy, "adds %s to", "takes %s off"),
		i.From.In(zone).Format("15:04"), i.To.In(zone).Format("15:04"))
	switch {
	case i.Baseline == nil:
		return s + ": by how much that moves the baseline cannot be told"
	case i.Baseline.Sign() == 0:
		return s + ": the baseline stays"
	}
	s += ": it " + moves(i.Baseline, "raises the baseline by %s", "lowers the baseline by %s")
	if i.Credit != nil && i.Credit.Sign() != 0 {
		by := worth(new(big.Rat).Abs(i.Credit), i.Currency)
		if i.Credit.Sign() > 0 {
			return s + " and raises the credit by " + by
		}
		return s + " and lowers the credit by " + by
	}
	return s
}

// moves writes an energy by its sign, without it.
func moves(r *big.Rat, up, down string) string {
	if r.Sign() < 0 {
		return fmt.Sprintf(down, energy(new(big.Rat).Abs(r)))
	}
	return fmt.Sprintf(up, energy(r))
}
