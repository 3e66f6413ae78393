package settle

import (
	"cmp"
	"fmt"
	"math/big"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/shopspring/decimal"
)

// A Month sums up the windows of one procedure that began in one month of the premises' zone, as far as they are paid in
// one currency. What is not known of a window is left out of its sums.
type Month struct {
	Year      int
	Month     time.Month // 0 in a sum over several months
	Procedure string
	Currency  string // "" where nothing is paid

	Windows  int
	Unknown  int             // those without a gain
	Gain     *big.Rat        // kWh
	Credit   decimal.Decimal // expected, over all windows
	Received decimal.Decimal
	ToCome   decimal.Decimal // of Credit: not due yet
	Missing  decimal.Decimal // of Credit: due, and did not come
}

// Months sums results up by month, procedure and currency, in that order.
func Months(results []Result, zone *time.Location, now time.Time) []Month {
	sums := map[string]*Month{}
	var order []*Month
	for i := range results {
		r := &results[i]
		at := r.Window.Start.In(zone)
		key := fmt.Sprintf("%s %s %s", at.Format("2006-01"), r.Window.Procedure, r.Currency)
		m := sums[key]
		if m == nil {
			m = &Month{Year: at.Year(), Month: at.Month(), Procedure: r.Window.Procedure, Currency: r.Currency, Gain: new(big.Rat)}
			sums[key] = m
			order = append(order, m)
		}
		m.add(r, now)
	}
	out := make([]Month, 0, len(order))
	for _, m := range order {
		out = append(out, *m)
	}
	slices.SortFunc(out, func(a, b Month) int {
		return cmp.Or(cmp.Compare(a.Year, b.Year), cmp.Compare(a.Month, b.Month), cmp.Compare(a.Procedure, b.Procedure), cmp.Compare(a.Currency, b.Currency))
	})
	return out
}

func (m *Month) add(r *Result, now time.Time) {
	m.Windows++
	if r.Gain == nil {
		m.Unknown++
	} else {
		m.Gain.Add(m.Gain, r.Gain)
	}
	if r.Credit != nil {
		m.Credit = m.Credit.Add(*r.Credit)
	}
	if r.Recorded != nil {
		m.Received = m.Received.Add(*r.Recorded)
	}
	switch r.Payment(now) {
	case Expected:
		m.ToCome = m.ToCome.Add(*r.Credit)
	case Missing:
		m.Missing = m.Missing.Add(*r.Credit)
	case Short:
		m.Missing = m.Missing.Sub(*r.Difference)
	}
}

// Totals sums months up by procedure and currency, in that order.
func Totals(months []Month) []Month {
	var out []Month
	for _, m := range months {
		i := slices.IndexFunc(out, func(t Month) bool { return t.Procedure == m.Procedure && t.Currency == m.Currency })
		if i < 0 {
			m.Month, m.Gain = 0, new(big.Rat).Set(m.Gain)
			out = append(out, m)
			continue
		}
		t := &out[i]
		t.Windows, t.Unknown = t.Windows+m.Windows, t.Unknown+m.Unknown
		t.Gain.Add(t.Gain, m.Gain)
		t.Credit, t.Received = t.Credit.Add(m.Credit), t.Received.Add(m.Received)
		t.ToCome, t.Missing = t.ToCome.Add(m.ToCome), t.Missing.Add(m.Missing)
	}
	slices.SortStableFunc(out, func(a, b Month) int {
		return cmp.Or(cmp.Compare(a.Procedure, b.Procedure), cmp.Compare(a.Currency, b.Currency))
	})
	return out
}

// YearTable writes months for people, with the totals below them.
func YearTable(months []Month) string {
	var b strings.Builder
	t := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
	row := func(cells ...string) { _, _ = fmt.Fprintln(t, strings.Join(cells, "\t")) } // a Builder never fails
	row("MONTH", "PROCEDURE", "WINDOWS", "GAIN", "CREDIT", "RECEIVED", "TO COME", "MISSING")
	put := func(name string, m Month) {
		windows := fmt.Sprint(m.Windows)
		if m.Unknown > 0 {
			windows += fmt.Sprintf(" (%d unknown)", m.Unknown)
		}
		row(name, m.Procedure, windows, energy(m.Gain), m.money(m.Credit), m.money(m.Received), m.money(m.ToCome), m.money(m.Missing))
	}
	for _, m := range months {
		put(m.Month.String(), m)
	}
	for _, m := range Totals(months) {
		put("Total", m)
	}
	_ = t.Flush()
	var out strings.Builder
	for line := range strings.Lines(b.String()) {
		out.WriteString(strings.TrimRight(line, " \n") + "\n")
	}
	return out.String()
}

// money writes an amount of the month's currency, "" where there is none.
func (m *Month) money(d decimal.Decimal) string {
	if m.Currency == "" && d.IsZero() {
		return ""
	}
	return strings.TrimSpace(d.StringFixed(int32(minorUnits(m.Currency))) + " " + m.Currency)
}
