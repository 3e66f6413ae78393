package page

import (
	"math/big"
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"spillway/actions/settle"
)

// mostGains is how many past windows are listed.
const mostGains = 12

// gainView says what was gained and is owed.
type gainView struct {
	Note string
	Sums []string
	Rows []gainRow
	Left int
}

type gainRow struct {
	Name, When              string
	Metered, Baseline, Gain string
	Credit                  string
	By                      string // the day by which it is expected; "" where it is not waited for
	Payment                 string
	Class                   string
	Method                  string
	Problems                []string
}

func (l *look) gainView() gainView {
	results, note := l.p.opt.Settlement.Settled()
	v := gainView{Note: clean(note)}
	v.Sums = l.sums(results)
	for i := range slices.Backward(results) {
		if len(v.Rows) == mostGains {
			v.Left++
			continue
		}
		v.Rows = append(v.Rows, l.gain(&results[i]))
	}
	return v
}

func (l *look) gain(r *settle.Result) gainRow {
	pay := r.Payment(l.now)
	row := gainRow{
		Name: l.windowName(r.Window), When: l.span(r.Window.Start, r.Window.End),
		Metered: kwh(r.Metered), Baseline: kwh(r.Baseline), Gain: kwh(r.Gain), Credit: "?",
		Payment: string(pay), Class: strings.ReplaceAll(string(pay), " ", "-"), Method: clean(r.Method),
	}
	if r.Credit != nil {
		row.Credit = strings.TrimSpace(amount(*r.Credit) + " " + r.Currency)
	}
	if !r.ExpectedBy.IsZero() && pay == settle.Expected {
		row.By = l.day(r.ExpectedBy)
	}
	if r.Difference != nil && !r.Difference.IsZero() {
		row.Payment += ", difference " + amount(*r.Difference)
	}
	for _, p := range r.Problems {
		row.Problems = append(row.Problems, clean(p))
	}
	return row
}

// sums adds up what was gained, what is owed and what came, each currency by itself.
func (l *look) sums(results []settle.Result) []string {
	if len(results) == 0 {
		return nil
	}
	gained, known := new(big.Rat), 0
	owed, missing, came := money{}, money{}, money{}
	for i := range results {
		r := &results[i]
		if r.Gain != nil {
			gained.Add(gained, r.Gain)
			known++
		}
		switch r.Payment(l.now) {
		case settle.Expected:
			owed.add(r.Currency, *r.Credit)
		case settle.Missing:
			missing.add(r.Currency, *r.Credit)
		case settle.Settled, settle.Short:
			came.add(r.Currency, *r.Recorded)
			if r.Difference != nil && r.Difference.IsNegative() {
				missing.add(r.Currency, r.Difference.Neg())
			}
		}
	}
	var list []string
	if known > 0 {
		list = append(list, "Gained "+kwh(gained)+" in "+count(known, "window", "windows"))
	}
	for _, part := range []struct {
		m    money
		text string
	}{{owed, " is to come"}, {missing, " is overdue"}, {came, " has come"}} {
		if t := part.m.String(); t != "" {
			list = append(list, t+part.text)
		}
	}
	return list
}

// money is sums by currency.
type money map[string]decimal.Decimal

// add keeps the decimals: a zero to add to would lose those of 1.20.
func (m money) add(currency string, d decimal.Decimal) {
	if old, ok := m[currency]; ok {
		d = old.Add(d)
	}
	m[currency] = d
}

// String returns the sums, "1.89 GBP and 2 EUR"; "" where there are none.
func (m money) String() string {
	var parts []string
	for currency, d := range m {
		parts = append(parts, strings.TrimSpace(amount(d)+" "+currency))
	}
	slices.Sort(parts)
	return strings.Join(parts, " and ")
}

func kwh(r *big.Rat) string {
	if r == nil {
		return "?"
	}
	return r.FloatString(2) + " kWh"
}

// amount writes money with as many decimals as it has: a credit is rounded to its currency's minor unit.
func amount(d decimal.Decimal) string { return d.StringFixed(max(0, -d.Exponent())) }
