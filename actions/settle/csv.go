package settle

import (
	"encoding/csv"
	"math/big"
	"strconv"
	"strings"
	"time"
)

// CSV writes results for the supplier: for each window a row of each interval, then one of the window as a whole, both with
// a header's columns (RFC 4180). Times are UTC, date and period are local; what is not known is empty.
func CSV(results []Result, zone *time.Location) string {
	var b strings.Builder
	w := csv.NewWriter(&b)
	w.UseCRLF = true
	put := func(cells ...string) { _ = w.Write(cells) } // a Builder never fails
	put("row", "window", "title", "start", "end", "date", "period", "metered_kwh", "baseline_kwh", "gain_kwh", "rate", "credit",
		"currency", "expected_by", "method", "days", "problems")
	for i := range results {
		r := &results[i]
		for _, s := range r.Slots {
			period := ""
			if r.interval > 0 {
				period = strconv.Itoa(Period(s.Start.Unix(), r.interval, zone))
			}
			put("interval", r.Window.ID, "", utc(s.Start), utc(s.End), DateOf(s.Start, zone).String(), period,
				cell(s.Metered), cell(s.Baseline), cell(s.Gain), "", "", "", "", "", "", "")
		}
		put(r.row(zone)...)
	}
	w.Flush()
	return b.String()
}

// row returns the row of a window as a whole.
func (r *Result) row(zone *time.Location) []string {
	rate, credit, by := "", "", ""
	if r.Rate != nil {
		rate = r.Rate.String()
	}
	if r.Credit != nil {
		credit = r.Credit.StringFixed(int32(minorUnits(r.Currency)))
	}
	if !r.ExpectedBy.IsZero() {
		by = utc(r.ExpectedBy)
	}
	var days []string
	for _, d := range r.Days {
		days = append(days, d.String())
	}
	return []string{"window", r.Window.ID, harmless(r.Window.Title), utc(r.Window.Start), utc(r.Window.End),
		DateOf(r.Window.Start, zone).String(), "", cell(r.Metered), cell(r.Baseline), cell(r.Gain), rate, credit, r.Currency, by,
		harmless(r.Method), strings.Join(days, " "), harmless(strings.Join(r.Problems, "; "))}
}

func cell(r *big.Rat) string {
	if r == nil {
		return ""
	}
	return text(r, places)
}

// harmless keeps a spreadsheet from taking a text out of a calendar for a formula.
func harmless(s string) string {
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) {
		return "'" + s
	}
	return s
}
