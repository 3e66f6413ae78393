package recur

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"spillway/calendar/civil"
)

// A Freq is the unit of a rule's periods.
type Freq uint8

// The frequencies, shortest first.
const (
	Secondly Freq = iota
	Minutely
	Hourly
	Daily
	Weekly
	Monthly
	Yearly
)

// A WeekdayNum is a BYDAY value: the Nth such weekday of the month or year, from its end where N is negative; every one
// where N is 0. Weekday counts from Monday, 0.
type WeekdayNum struct {
	N, Weekday int
}

// A Rule is an RRULE. Its lists are sorted and hold nothing twice. Rules are values: safe to share once parsed.
type Rule struct {
	Freq      Freq
	Interval  int64 // 1 at least
	Count     int64 // 0: none
	Until     civil.Value
	HasUntil  bool
	WeekStart int // 0 is Monday

	Seconds, Minutes, Hours            []int
	Days                               []WeekdayNum
	MonthDays, YearDays, Weeks, Months []int
	SetPos                             []int
}

// maxInterval keeps interval arithmetic inside int64; a step that long leaves the calendar at once.
const maxInterval = 1 << 39

// Parse reads a RECUR value. It is case-blind and overlooks blanks, empty parts and X- parts. A COUNT or INTERVAL below 1,
// a value outside its range, a part given twice and a calendar other than the Gregorian one (RFC 7529) are errors.
func Parse(s string) (Rule, error) {
	r := Rule{Interval: 1}
	var room [12]string
	seen := room[:0]
	for part := range strings.SplitSeq(s, ";") {
		part = strings.TrimSpace(part)
		if part == "" {
			continue
		}
		name, value, ok := strings.Cut(part, "=")
		name, value = strings.ToUpper(strings.TrimSpace(name)), strings.TrimSpace(value)
		if !ok || value == "" {
			return Rule{}, fmt.Errorf("%q is no NAME=VALUE", part)
		}
		if slices.Contains(seen, name) {
			return Rule{}, fmt.Errorf("%s stands twice", name)
		}
		seen = append(seen, name)
		if err := r.set(name, value); err != nil {
			return Rule{}, fmt.Errorf("%s: %w", name, err)
		}
	}
	if !slices.Contains(seen, "FREQ") {
		return Rule{}, fmt.Errorf("there is no FREQ")
	}
	return r, nil
}

func (r *Rule) set(name, value string) (err error) {
	switch name {
	case "FREQ":
		i := slices.Index([]string{"SECONDLY", "MINUTELY", "HOURLY", "DAILY", "WEEKLY", "MONTHLY", "YEARLY"}, strings.ToUpper(value))
		if i < 0 {
			return fmt.Errorf("%q is no frequency", value)
		}
		r.Freq = Freq(i)
	case "INTERVAL":
		r.Interval, err = positive(value)
		r.Interval = min(r.Interval, maxInterval)
	case "COUNT":
		r.Count, err = positive(value)
	case "UNTIL":
		if r.Until, err = civil.Parse(value); err != nil {
			return fmt.Errorf("%q %w", value, err)
		}
		r.HasUntil = true
	case "WKST":
		r.WeekStart, err = weekday(value)
	case "BYSECOND":
		r.Seconds, err = numbers(value, 0, 60, false)
		if n := len(r.Seconds); n > 0 && r.Seconds[n-1] == 60 {
			r.Seconds[n-1] = 59 // RFC 5545 3.3.5: without leap seconds, 60 means 59
			r.Seconds = slices.Compact(r.Seconds)
		}
	case "BYMINUTE":
		r.Minutes, err = numbers(value, 0, 59, false)
	case "BYHOUR":
		r.Hours, err = numbers(value, 0, 23, false)
	case "BYDAY":
		r.Days, err = weekdays(value)
	case "BYMONTHDAY":
		r.MonthDays, err = numbers(value, 1, 31, true)
	case "BYYEARDAY":
		r.YearDays, err = numbers(value, 1, 366, true)
	case "BYWEEKNO":
		r.Weeks, err = numbers(value, 1, 53, true)
	case "BYMONTH":
		r.Months, err = numbers(value, 1, 12, false)
	case "BYSETPOS":
		r.SetPos, err = numbers(value, 1, 366, true)
	case "RSCALE":
		if !strings.EqualFold(value, "GREGORIAN") {
			return fmt.Errorf("the %s calendar is not known here", value)
		}
	case "SKIP":
		if !strings.EqualFold(value, "OMIT") {
			return fmt.Errorf("%s is not known here", value)
		}
	default:
		if !strings.HasPrefix(name, "X-") {
			return fmt.Errorf("no such part")
		}
	}
	return err
}

func positive(s string) (int64, error) {
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil || n < 1 {
		return 0, fmt.Errorf("%s is no number from 1 up", short(s))
	}
	return n, nil
}

// numbers reads a list of numbers from lo to hi, or from -hi to -lo where negatives count from the end.
func numbers(s string, lo, hi int, negative bool) ([]int, error) {
	var out []int
	for f := range strings.SplitSeq(s, ",") {
		n, err := strconv.Atoi(strings.TrimPrefix(strings.TrimSpace(f), "+"))
		m := n
		if negative && n < 0 {
			m = -n
		}
		if err != nil || m < lo || m > hi {
			return nil, fmt.Errorf("%s is out of range", short(f))
		}
		out = append(out, n)
		if len(out) > 2000 {
			return nil, fmt.Errorf("the list is too long")
		}
	}
	slices.Sort(out)
	return slices.Compact(out), nil
}

func weekday(s string) (int, error) {
	i := slices.Index([]string{"MO", "TU", "WE", "TH", "FR", "SA", "SU"}, strings.ToUpper(s))
	if i < 0 {
		return 0, fmt.Errorf("%s is no weekday", short(s))
	}
	return i, nil
}

func weekdays(s string) ([]WeekdayNum, error) {
	var out []WeekdayNum
	for f := range strings.SplitSeq(s, ",") {
		f = strings.TrimSpace(f)
		i := len(f) - 2
		if i < 0 {
			return nil, fmt.Errorf("%s is no weekday", short(f))
		}
		d, err := weekday(f[i:])
		if err != nil {
			return nil, err
		}
		n := 0
		if i > 0 {
			if n, err = strconv.Atoi(strings.TrimPrefix(f[:i], "+")); err != nil || n == 0 || n < -53 || n > 53 {
				return nil, fmt.Errorf("%s is out of range", short(f))
			}
		}
		out = append(out, WeekdayNum{n, d})
		if len(out) > 2000 {
			return nil, fmt.Errorf("the list is too long")
		}
	}
	slices.SortFunc(out, func(a, b WeekdayNum) int { return (a.N-b.N)*8 + a.Weekday - b.Weekday })
	return slices.Compact(out), nil
}

// short quotes s for a message, cut where it is long.
func short(s string) string {
	if len(s) > 24 {
		s = s[:24] + "..."
	}
	return strconv.Quote(s)
}
