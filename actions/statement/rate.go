package statement

import (
	"fmt"
	"strings"

	"golang.org/x/text/currency"
)

// A Rate is money per kWh. The amount stays text, so that no float touches money.
type Rate struct {
	Amount   string // decimal digits with at most one point, not negative
	Currency string // ISO 4217
}

// ParseRate reads "0.245 GBP/kWh". The currency is an ISO 4217 code; "24.5 p/kWh" is pence of GBP.
func ParseRate(s string) (Rate, error) {
	t := strings.TrimSpace(s)
	n := numberLen(t)
	amount := t[:n]
	if _, err := parseNumber(amount); err != nil || strings.ContainsAny(amount, "+-") {
		return Rate{}, fmt.Errorf("%q is no rate: write for instance \"0.245 GBP/kWh\"", s)
	}
	code, per, ok := strings.Cut(strings.TrimSpace(t[n:]), "/")
	code, per = strings.TrimSpace(code), strings.TrimSpace(per)
	switch {
	case code == "" || !ok && code == "kWh":
		return Rate{}, fmt.Errorf("%q has no currency: write for instance \"%s GBP/kWh\"", s, amount)
	case per != "kWh":
		return Rate{}, fmt.Errorf("%q is no rate per kWh: write for instance \"%s %s/kWh\"", s, amount, code)
	case code == "p":
		return Rate{hundredth(amount), "GBP"}, nil
	}
	if _, err := currency.ParseISO(code); err != nil || code != strings.ToUpper(code) {
		return Rate{}, fmt.Errorf("%q is no currency: write its three letters, for instance GBP", code)
	}
	return Rate{amount, code}, nil
}

// hundredth moves the decimal point of a checked amount two places to the left, in text.
func hundredth(amount string) string {
	whole, fraction, _ := strings.Cut(amount, ".")
	for len(whole) < 3 {
		whole = "0" + whole
	}
	cut := len(whole) - 2
	return whole[:cut] + "." + whole[cut:] + fraction
}
