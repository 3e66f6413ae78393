package settle

import (
	"fmt"
	"math/big"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/shopspring/decimal"
)

// Table writes results for people: a line for each window in local time, with what is wrong or worth knowing under it.
func Table(results []Result, zone *time.Location, now time.Time) string {
	var b strings.Builder
	t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	row := func(cells ...string) { _, _ = fmt.Fprintln(t, strings.Join(cells, "\t")) } // a Builder never fails
	row("WINDOW", "TITLE", "METERED", "BASELINE", "GAIN", "LIKELY", "CREDIT", "EXPECTED BY", "PAYMENT")
	for i := range results {
		r := &results[i]
		row(When(r.Window.Start, r.Window.End, zone), short(r.Window.Title), energy(r.Metered), energy(r.Baseline), energy(r.Gain),
			spread(r.Likely), amount(r), day(r.ExpectedBy, zone), payment(r, now))
	}
	_ = t.Flush()
	return underline(b.String(), results)
}

// underline puts each window's method and problems under its line.
func underline(table string, results []Result) string {
	lines := strings.Split(strings.TrimRight(table, "\n"), "\n")
	var b strings.Builder
	for i, line := range lines {
		b.WriteString(strings.TrimRight(line, " ") + "\n")
		if i == 0 || i > len(results) {
			continue
		}
		r := results[i-1]
		if r.Method != "" {
			b.WriteString("    " + r.Method + "\n")
		}
		if made := madeLine(r.Made, r.Peak); made != "" {
			b.WriteString("    " + made + "\n")
		}
		for _, p := range r.Problems {
			b.WriteString("    ! " + p + "\n")
		}
	}
	return b.String()
}

// When returns a stretch of time as clocks in the zone show it: "Wed 20 Nov 2013 17:00-18:00 GMT".
func When(start, end time.Time, zone *time.Location) string {
	s, e := start.In(zone), end.In(zone)
	_, offS := s.Zone()
	_, offE := e.Zone()
	switch {
	case s.Format(time.DateOnly) != e.Format(time.DateOnly):
		return s.Format("Mon 2 Jan 2006 15:04 MST") + " - " + e.Format("Mon 2 Jan 15:04 MST")
	case offS != offE:
		return s.Format("Mon 2 Jan 2006 15:04 MST") + "-" + e.Format("15:04 MST")
	}
	return s.Format("Mon 2 Jan 2006 15:04") + "-" + e.Format("15:04 MST")
}

func short(title string) string {
	r := []rune(strings.Join(strings.Fields(title), " "))
	if len(r) > 40 {
		return string(r[:39]) + "…"
	}
	return string(r)
}

// Figure writes an energy in kWh for people, to a thousandth; "?" where it is not known.
func Figure(r *big.Rat) string { return energy(r) }

// Money writes an amount with the digits of the currency's minor unit (ISO 4217), without the currency.
func Money(d decimal.Decimal, currency string) string {
	return d.StringFixed(int32(minorUnits(currency)))
}

func energy(r *big.Rat) string {
	if r == nil {
		return "?"
	}
	return halfEven(r, 3).StringFixed(3) + " kWh"
}

func spread(r *Range) string {
	if r == nil {
		return ""
	}
	return halfEven(r.Low, 2).StringFixed(2) + " to " + halfEven(r.High, 2).StringFixed(2)
}

func amount(r *Result) string {
	if r.Credit == nil {
		return "?"
	}
	return strings.TrimSpace(r.Credit.StringFixed(int32(minorUnits(r.Currency))) + " " + r.Currency)
}

func day(t time.Time, zone *time.Location) string {
	if t.IsZero() {
		return ""
	}
	return t.In(zone).Format("Mon 2 Jan 2006")
}

func payment(r *Result, now time.Time) string {
	p := r.Payment(now)
	if r.Difference != nil && !r.Difference.IsZero() {
		return fmt.Sprintf("%s, difference %s", p, r.Difference)
	}
	return string(p)
}
