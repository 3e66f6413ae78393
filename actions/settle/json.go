package settle

import (
	"encoding/json"
	"math/big"
	"strings"
	"time"

	"github.com/shopspring/decimal"
)

// places is how many decimals an energy is printed with: a billionth of a kWh and three more.
const places = 12

type jsonSlot struct {
	Start    string       `json:"start"`
	End      string       `json:"end"`
	Metered  *json.Number `json:"metered_kwh"`
	Baseline *json.Number `json:"baseline_kwh"`
	Gain     *json.Number `json:"gain_kwh"`
}

type jsonResult struct {
	ID         string       `json:"id"`
	Start      string       `json:"start"`
	End        string       `json:"end"`
	Method     string       `json:"method"`
	Days       []Date       `json:"days"`
	Slots      []jsonSlot   `json:"slots"`
	Gain       *json.Number `json:"gain_kwh"`
	Rate       *json.Number `json:"rate"`
	Credit     *json.Number `json:"credit"`
	Currency   *string      `json:"currency"`
	ExpectedBy *string      `json:"expected_by"`
	Recorded   *json.Number `json:"recorded_credit"`
	Difference *json.Number `json:"difference"`
	Problems   []string     `json:"problems"`
}

// MarshalJSON writes exactly the fields of `spillway settle --json`: times in UTC (RFC 3339 with Z), energies and money as
// numbers in decimal, null for what is not known.
func (r Result) MarshalJSON() ([]byte, error) {
	out := jsonResult{
		ID: r.Window.ID, Start: utc(r.Window.Start), End: utc(r.Window.End), Method: r.Method,
		Days: append([]Date{}, r.Days...), Slots: []jsonSlot{}, Gain: number(r.Gain),
		Rate: money(r.Rate, -1), Credit: money(r.Credit, minorUnits(r.Currency)),
		Recorded: money(r.Recorded, -1), Difference: money(r.Difference, -1),
		Problems: append([]string{}, r.Problems...),
	}
	for _, s := range r.Slots {
		out.Slots = append(out.Slots, jsonSlot{utc(s.Start), utc(s.End), number(s.Metered), number(s.Baseline), number(s.Gain)})
	}
	if r.Currency != "" {
		out.Currency = &r.Currency
	}
	if !r.ExpectedBy.IsZero() {
		by := utc(r.ExpectedBy)
		out.ExpectedBy = &by
	}
	return json.Marshal(out)
}

func utc(t time.Time) string { return t.UTC().Format(time.RFC3339) }

func number(r *big.Rat) *json.Number {
	if r == nil {
		return nil
	}
	n := json.Number(text(r, places))
	return &n
}

// text returns r with at most so many decimals, halves to even, without trailing zeros.
func text(r *big.Rat, places int) string {
	s := halfEven(r, places).String()
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		return "0"
	}
	return s
}

// money returns d with so many decimals, or more where it has more; below zero: as it stands.
func money(d *decimal.Decimal, places int) *json.Number {
	if d == nil {
		return nil
	}
	n := json.Number(d.String())
	if places >= 0 && d.Exponent() >= -int32(places) {
		n = json.Number(d.StringFixed(int32(places)))
	}
	return &n
}
