package statement

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// longest bounds durations: ten years of 366 days.
const longest = 3660 * 24 * time.Hour

// spans are the units of time, longest first, in the order in which a duration names them. A day is 24 hours of elapsed
// time, whatever the clocks do.
func spans() []struct {
	name string
	of   time.Duration
} {
	return []struct {
		name string
		of   time.Duration
	}{
		{"w", 7 * 24 * time.Hour}, {"d", 24 * time.Hour}, {"h", time.Hour}, {"m", time.Minute}, {"min", time.Minute},
		{"s", time.Second}, {"ms", time.Millisecond},
	}
}

var errBareDuration = errors.New("needs its unit")

// ParseDuration reads a length of time: "90s", "25m" or "25 min", "1h30m", "2h", "1d", "-2h". Each unit comes once, the
// longer before the shorter; only whole milliseconds are kept.
func ParseDuration(s string) (time.Duration, error) {
	rest := strings.Join(strings.Fields(s), "")
	negative := strings.HasPrefix(rest, "-")
	rest = strings.TrimPrefix(rest, "-")
	if rest == "" {
		return 0, fmt.Errorf("%q is no duration: write for instance 90s, 25m, 2h, 1h30m or 1d", s)
	}
	var total, last time.Duration
	for last = longest; rest != ""; {
		d, unit, left, err := duration1(rest)
		switch {
		case errors.Is(err, errBareDuration):
			return 0, fmt.Errorf("%q needs its unit: write for instance %q or %q", s, rest+"s", rest+"m")
		case err != nil:
			return 0, fmt.Errorf("%q is no duration: %w", s, err)
		case unit >= last:
			return 0, fmt.Errorf("%q is no duration: each unit once, the longer first", s)
		}
		if total += d; total > longest {
			return 0, fmt.Errorf("%q is too long: %s at most", s, FormatDuration(longest))
		}
		last, rest = unit, left
	}
	if negative {
		total = -total
	}
	return total, nil
}

// duration1 reads one number with its unit off the front of s.
func duration1(s string) (d, unit time.Duration, rest string, err error) {
	n := numberLen(s)
	if n == 0 {
		return 0, 0, "", errors.New("write for instance 90s, 25m, 2h, 1h30m or 1d")
	}
	if strings.HasPrefix(s, "+") || strings.HasPrefix(s, "-") {
		return 0, 0, "", errors.New("one sign at the front, - or none")
	}
	x, err := parseNumber(s[:n])
	if err != nil {
		return 0, 0, "", err
	}
	end := n + numberEnd(s[n:])
	name := s[n:end]
	if name == "" {
		return 0, 0, "", errBareDuration
	}
	for _, u := range spans() {
		if u.name != name {
			continue
		}
		ms := x * float64(u.of.Milliseconds())
		switch {
		case ms > float64(longest.Milliseconds()):
			return 0, 0, "", fmt.Errorf("%s is too long", s[:end])
		case math.Abs(ms-math.Round(ms)) > 1e-3: // the slack is for fractions such as 0.7h
			return 0, 0, "", fmt.Errorf("%s is no whole number of milliseconds", s[:end])
		}
		return time.Duration(math.Round(ms)) * time.Millisecond, u.of, s[end:], nil
	}
	return 0, 0, "", fmt.Errorf("%q is no unit of time: w, d, h, m, s or ms", name)
}

// numberEnd returns how many bytes come before the next digit.
func numberEnd(s string) int {
	if i := strings.IndexAny(s, "0123456789.,+-"); i >= 0 {
		return i
	}
	return len(s)
}

// FormatDuration writes a duration so that [ParseDuration] reads it back; less than a millisecond is dropped.
func FormatDuration(d time.Duration) string {
	d = d.Truncate(time.Millisecond)
	if d == 0 {
		return "0s"
	}
	var b strings.Builder
	if d < 0 {
		b.WriteByte('-')
		d = -d
	}
	for _, u := range spans() {
		if u.name == "w" || u.name == "min" {
			continue
		}
		if n := d / u.of; n > 0 {
			b.WriteString(strconv.FormatInt(int64(n), 10))
			b.WriteString(u.name)
			d -= n * u.of
		}
	}
	return b.String()
}
