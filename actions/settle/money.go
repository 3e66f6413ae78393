package settle

import (
	"fmt"
	"math/big"

	"github.com/shopspring/decimal"
)

// minorUnits returns the digits of the currency's minor unit as ISO 4217 lists them (table A.1). They are not the digits
// that people write, which golang.org/x/text/currency gives and which are fewer for some.
func minorUnits(code string) int {
	switch code {
	case "BIF", "CLP", "DJF", "GNF", "ISK", "JPY", "KMF", "KRW", "PYG", "RWF", "UGX", "UYI", "VND", "VUV", "XAF", "XOF", "XPF":
		return 0
	case "BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND":
		return 3
	case "CLF", "UYW":
		return 4
	}
	return 2
}

// halfEven rounds to so many decimals, halves to the even digit.
func halfEven(r *big.Rat, places int) decimal.Decimal {
	scale := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil)
	num := new(big.Int).Mul(r.Num(), scale)
	quotient, rest := new(big.Int).QuoRem(num, r.Denom(), new(big.Int)) // towards zero
	twice := rest.Abs(rest.Lsh(rest, 1))
	if c := twice.Cmp(r.Denom()); c > 0 || c == 0 && quotient.Bit(0) == 1 {
		quotient.Add(quotient, big.NewInt(int64(r.Sign())))
	}
	return decimal.NewFromBigInt(quotient, int32(-places))
}

// price reads a rate, exactly.
func price(text string) (*big.Rat, decimal.Decimal, error) {
	d, err := decimal.NewFromString(text)
	if err != nil || len(text) > 40 || d.Exponent() < -40 || d.Exponent() > 20 {
		return nil, decimal.Decimal{}, fmt.Errorf("rate %q is no decimal number", text)
	}
	return d.Rat(), d, nil
}
