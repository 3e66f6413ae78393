package meter

import (
	"errors"
	"fmt"
	"math/big"
	"strings"

	"github.com/shopspring/decimal"
)

// Energy is a whole number of microjoules. One reading is at most [most] of them, so that a day's sum fits.
type Energy int64

// KWh is one kilowatt-hour.
const KWh Energy = 3_600_000_000_000

// most is 2,501 kWh in one interval: more than the largest service fuse of any premises passes in an hour.
const most Energy = 1 << 53

// Rat returns the energy in kWh, exactly.
func (e Energy) Rat() *big.Rat { return big.NewRat(int64(e), int64(KWh)) }

// String returns the energy in kWh with up to twelve decimals.
func (e Energy) String() string {
	return decimal.New(int64(e), 0).DivRound(decimal.New(int64(KWh), 0), 12).String() + " kWh"
}

// A unit says what a number in a file means.
type unit struct {
	name  string
	micro int64 // microjoules to the unit; for a power, to the unit and second
	power bool  // a mean over the interval
}

// unitOf returns the unit called name; letter case does not matter.
func unitOf(name string) (unit, error) {
	switch strings.ToLower(name) {
	case "kwh":
		return unit{"kWh", 3_600_000_000_000, false}, nil
	case "wh":
		return unit{"Wh", 3_600_000_000, false}, nil
	case "mwh":
		return unit{"MWh", 3_600_000_000_000_000, false}, nil
	case "w":
		return unit{"W", 1_000_000, true}, nil
	case "kw":
		return unit{"kW", 1_000_000_000, true}, nil
	}
	return unit{}, fmt.Errorf("%q is no unit of a meter: kWh, Wh or W", name)
}

var errTooMuch = errors.New("is more than a meter of premises shows in one interval")

// energy returns the energy of x units over an interval of so many seconds, and whether it had to be rounded.
func (u unit) energy(x decimal.Decimal, seconds int64) (e Energy, rounded bool, err error) {
	factor := decimal.New(u.micro, 0)
	if u.power {
		factor = factor.Mul(decimal.New(seconds, 0))
	}
	exact := x.Mul(factor)
	whole := exact.RoundBank(0)
	if whole.Abs().GreaterThan(decimal.New(int64(most), 0)) {
		return 0, false, errTooMuch
	}
	return Energy(whole.IntPart()), !whole.Equal(exact), nil
}

// parseNumber reads a decimal number with the given decimal mark; the other mark, spaces and apostrophes may group
// thousands. Its digits and exponent are bounded, so that arithmetic on it is.
func parseNumber(s string, mark byte) (decimal.Decimal, error) {
	plain := make([]byte, 0, len(s))
	for i := 0; i < len(s); i++ {
		c := s[i]
		switch {
		case c == mark:
			plain = append(plain, '.')
		case c == ',' || c == '.' || c == '\'' || c == ' ':
			if !grouping(s, i, mark) {
				return decimal.Decimal{}, fmt.Errorf("%q is no number", s)
			}
		case c >= '0' && c <= '9', c == '-', c == '+', c == 'e', c == 'E':
			plain = append(plain, c)
		case strings.HasPrefix(s[i:], "\u00a0"), strings.HasPrefix(s[i:], "\u202f"): // no-break spaces
			i += len(string([]rune(s[i:])[0])) - 1
		default:
			return decimal.Decimal{}, fmt.Errorf("%q is no number", s)
		}
	}
	text := string(plain)
	mantissa, exponent, _ := strings.Cut(strings.ToLower(text), "e")
	if len(mantissa) > 40 || len(exponent) > 3 {
		return decimal.Decimal{}, fmt.Errorf("%q is no number of a meter", s)
	}
	d, err := decimal.NewFromString(text)
	if err != nil || d.Exponent() < -60 || d.Exponent() > 40 {
		return decimal.Decimal{}, fmt.Errorf("%q is no number", s)
	}
	return d, nil
}

// grouping reports whether the mark at s[i] stands between groups of three digits.
func grouping(s string, i int, mark byte) bool {
	digits := 0
	for j := i + 1; j < len(s) && s[j] >= '0' && s[j] <= '9'; j++ {
		digits++
	}
	before := i > 0 && s[i-1] >= '0' && s[i-1] <= '9'
	return before && digits == 3 && strings.IndexByte(s[:i], mark) < 0
}
