package statement

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// largest bounds the numbers that are accepted, so that printing and converting one stays exact and short.
const largest = 1e15

// parseNumber reads a decimal number: digits, at most one point with digits on both sides, and a sign.
func parseNumber(s string) (float64, error) {
	digits := strings.TrimLeft(s, "+-")
	whole, fraction, pointed := strings.Cut(digits, ".")
	switch {
	case strings.ContainsAny(s, "−–—"):
		return 0, fmt.Errorf("%q has a dash that is no minus: write -", s)
	case strings.Contains(s, ","):
		return 0, fmt.Errorf("%q has a comma: write a decimal point, and no mark between thousands", s)
	case len(s)-len(digits) > 1 || !allDigits(whole) || pointed && !allDigits(fraction) || len(digits) > 32:
		return 0, fmt.Errorf("%q is no number", s)
	}
	x, err := strconv.ParseFloat(s, 64)
	if err != nil || math.Abs(x) > largest {
		return 0, fmt.Errorf("%q is too large", s)
	}
	return x + 0, nil // + 0 turns -0 into 0
}

func allDigits(s string) bool {
	return s != "" && strings.Trim(s, "0123456789") == ""
}

// numberLen returns how many bytes at the start of s belong to a number, dashes and commas that do not belong included
// so that they can be spoken of.
func numberLen(s string) int {
	for i, r := range s {
		if !strings.ContainsRune("+-−–—0123456789.,", r) {
			return i
		}
	}
	return len(s)
}

// startsNumber reports whether a word is meant as a number.
func startsNumber(s string) bool {
	return strings.ContainsAny(s[:numberLen(s)], "0123456789")
}

// shift returns x times ten to the power of n. It works on the decimal text, so that 1.1 kW is 1100 W and nothing else.
func shift(x float64, n int) float64 {
	if n == 0 {
		return x
	}
	y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'f', -1, 64)+"e"+strconv.Itoa(n), 64)
	if err != nil {
		return math.Copysign(math.Inf(1), x)
	}
	return y
}
