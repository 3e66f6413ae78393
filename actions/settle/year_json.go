package settle

import (
	"encoding/json"
	"fmt"
)

type jsonMonth struct {
	Month     *string      `json:"month"` // as in 2026-06; null in a sum over several
	Procedure string       `json:"procedure"`
	Windows   int          `json:"windows"`
	Unknown   int          `json:"unknown"`
	Gain      *json.Number `json:"gain_kwh"`
	Currency  *string      `json:"currency"`
	Credit    *json.Number `json:"credit"`
	Received  *json.Number `json:"received"`
	ToCome    *json.Number `json:"to_come"`
	Missing   *json.Number `json:"missing"`
}

// MarshalJSON writes a month as `spillway settle --year --json` has it: amounts as decimal numbers of the currency's minor
// unit, unknown being how many windows have no gain.
func (m Month) MarshalJSON() ([]byte, error) {
	units := minorUnits(m.Currency)
	out := jsonMonth{Procedure: m.Procedure, Windows: m.Windows, Unknown: m.Unknown, Gain: number(m.Gain),
		Credit: money(&m.Credit, units), Received: money(&m.Received, units), ToCome: money(&m.ToCome, units), Missing: money(&m.Missing, units)}
	if m.Month > 0 {
		name := fmt.Sprintf("%04d-%02d", m.Year, m.Month)
		out.Month = &name
	}
	if m.Currency != "" {
		out.Currency = &m.Currency
	}
	return json.Marshal(out)
}
