package settle

import (
	"encoding/json"
	"math/big"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"
)

// paidResult is a result as far as a year looks at it; "" is not known.
func paidResult(t *testing.T, start, procedure, gain, credit, recorded, currency string) Result {
	t.Helper()
	w := window(t, start, start)
	w.End, w.Procedure = w.Start.Add(time.Hour), procedure
	r := Result{Window: w, Currency: currency, ExpectedBy: w.End.Add(7 * 24 * time.Hour)}
	if gain != "" {
		r.Gain, _ = new(big.Rat).SetString(gain)
	}
	amount := func(text string) *decimal.Decimal {
		if text == "" {
			return nil
		}
		d := decimal.RequireFromString(text)
		return &d
	}
	r.Credit, r.Recorded = amount(credit), amount(recorded)
	if r.Credit != nil && r.Recorded != nil {
		d := r.Recorded.Sub(*r.Credit)
		r.Difference = &d
	}
	return r
}

// Worked by hand: at noon of 20 June, in London, where the window at 23:30 UTC of 31 May is one of June.
func TestMonths(t *testing.T) {
	now := utcTime(t, "2026-06-20T12:00:00Z")
	results := []Result{
		paidResult(t, "2026-05-31T23:30:00Z", "surplus", "1/3", "1.10", "1.10001", "GBP"), // came in full
		paidResult(t, "2026-06-02T11:00:00Z", "surplus", "2/3", "0.50", "0.20", "GBP"),    // short by 0.30
		paidResult(t, "2026-06-03T11:00:00Z", "surplus", "1", "0.25", "", "GBP"),          // missing
		paidResult(t, "2026-06-18T11:00:00Z", "surplus", "2", "0.75", "", "GBP"),          // to come
		paidResult(t, "2026-06-19T11:00:00Z", "surplus", "", "", "", "GBP"),               // a gap
		paidResult(t, "2026-05-02T11:00:00Z", "surplus", "5", "2", "2", "GBP"),
		paidResult(t, "2026-06-04T17:00:00Z", "evening", "4", "1.00", "", "EUR"),
		paidResult(t, "2026-06-05T17:00:00Z", "evening", "1/2", "", "", ""),
	}
	months := Months(results, london(t), now)
	body, err := json.MarshalIndent(months, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	const want = `[
 {
  "month": "2026-05",
  "procedure": "surplus",
  "windows": 1,
  "unknown": 0,
  "gain_kwh": 5,
  "currency": "GBP",
  "credit": 2.00,
  "received": 2.00,
  "to_come": 0.00,
  "missing": 0.00
 },
 {
  "month": "2026-06",
  "procedure": "evening",
  "windows": 1,
  "unknown": 0,
  "gain_kwh": 0.5,
  "currency": null,
  "credit": 0.00,
  "received": 0.00,
  "to_come": 0.00,
  "missing": 0.00
 },
 {
  "month": "2026-06",
  "procedure": "evening",
  "windows": 1,
  "unknown": 0,
  "gain_kwh": 4,
  "currency": "EUR",
  "credit": 1.00,
  "received": 0.00,
  "to_come": 0.00,
  "missing": 1.00
 },
 {
  "month": "2026-06",
  "procedure": "surplus",
  "windows": 5,
  "unknown": 1,
  "gain_kwh": 4,
  "currency": "GBP",
  "credit": 2.60,
  "received": 1.30001,
  "to_come": 0.75,
  "missing": 0.55
 }
]`
	if d := cmp.Diff(want, string(body)); d != "" {
		t.Error(d)
	}
	const table = `MONTH  PROCEDURE  WINDOWS        GAIN       CREDIT    RECEIVED  TO COME   MISSING
May    surplus    1              5.000 kWh  2.00 GBP  2.00 GBP  0.00 GBP  0.00 GBP
June   evening    1              0.500 kWh
June   evening    1              4.000 kWh  1.00 EUR  0.00 EUR  0.00 EUR  1.00 EUR
June   surplus    5 (1 unknown)  4.000 kWh  2.60 GBP  1.30 GBP  0.75 GBP  0.55 GBP
Total  evening    1              0.500 kWh
Total  evening    1              4.000 kWh  1.00 EUR  0.00 EUR  0.00 EUR  1.00 EUR
Total  surplus    6 (1 unknown)  9.000 kWh  4.60 GBP  3.30 GBP  0.75 GBP  0.55 GBP
`
	if d := cmp.Diff(table, YearTable(months)); d != "" {
		t.Error(d)
	}
	if d := cmp.Diff(table, YearTable(months)); d != "" {
		t.Errorf("a second time it is another: %s", d)
	}
}

func TestMonthsOfNothing(t *testing.T) {
	if got := Months(nil, time.UTC, time.Time{}); len(got) != 0 || len(Totals(got)) != 0 {
		t.Errorf("%v", got)
	}
}
