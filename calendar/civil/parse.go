package civil

import (
	"errors"
	"fmt"
	"time"
)

// A Form says how a date value is tied to instants (RFC 5545 3.3.4, 3.3.5).
type Form uint8

// The forms of a date value.
const (
	DateOnly Form = iota + 1 // DATE
	Local                    // DATE-TIME, floating or with a TZID
	UTC                      // DATE-TIME with Z
)

// A Value is a DATE or DATE-TIME as written. A DATE's wall is its midnight.
type Value struct {
	Wall Wall
	Form Form
}

// Reasons why a date value cannot be read.
var (
	errForm  = errors.New("is neither YYYYMMDD nor YYYYMMDDTHHMMSS with or without Z")
	errRange = errors.New("is no date of the calendar")
)

// Parse reads a DATE or DATE-TIME. A second of 60 counts as 59 (RFC 5545 3.3.12: for readers that know no leap seconds);
// 24:00:00, which ISO 8601 allows and some programs write, is the next midnight.
func Parse[T string | []byte](s T) (Value, error) {
	if len(s) != 8 && len(s) != 15 && len(s) != 16 {
		return Value{}, errForm
	}
	y, ok1 := digits(s, 0, 4)
	m, ok2 := digits(s, 4, 2)
	d, ok3 := digits(s, 6, 2)
	if !ok1 || !ok2 || !ok3 {
		return Value{}, errForm
	}
	if y < 1 || m < 1 || m > 12 || d < 1 || d > DaysIn(y, m) {
		return Value{}, errRange
	}
	day := Date(y, m, d)
	if len(s) == 8 {
		return Value{day.Wall(), DateOnly}, nil
	}
	hh, ok1 := digits(s, 9, 2)
	mm, ok2 := digits(s, 11, 2)
	ss, ok3 := digits(s, 13, 2)
	if s[8]|0x20 != 't' || !ok1 || !ok2 || !ok3 {
		return Value{}, errForm
	}
	if mm > 59 || ss > 60 || hh > 24 || hh == 24 && (mm > 0 || ss > 0) {
		return Value{}, errRange
	}
	v := Value{day.Wall() + Wall(hh*3600+mm*60+min(ss, 59)), Local}
	if len(s) == 16 {
		if s[15]|0x20 != 'z' {
			return Value{}, errForm
		}
		v.Form = UTC
	}
	return v, nil
}

func digits[T string | []byte](s T, from, n int) (v int, ok bool) {
	for i := from; i < from+n; i++ {
		c := s[i] - '0'
		if c > 9 {
			return 0, false
		}
		v = v*10 + int(c)
	}
	return v, true
}

// A Duration is a DURATION (RFC 5545 3.3.6): weeks and days are nominal, what is after the T is exact. Both parts have
// the sign that was written.
type Duration struct {
	Days  int64
	Exact time.Duration
}

// maxDuration is more than the calendar is long, and keeps every sum inside int64.
const maxDuration = 4_000_000 * SecondsPerDay

var errDuration = errors.New("is no duration such as PT1H30M or P2D")

// ParseDuration reads a DURATION. Weeks beside days, which the grammar forbids, are taken as meant; a duration longer
// than the calendar is an error.
func ParseDuration[T string | []byte](s T) (Duration, error) {
	i, sign := 0, int64(1)
	if i < len(s) && (s[i] == '-' || s[i] == '+') {
		if s[i] == '-' {
			sign = -1
		}
		i++
	}
	if i >= len(s) || s[i]|0x20 != 'p' {
		return Duration{}, errDuration
	}
	i++
	var days, secs int64
	seen, inTime := false, false
	for i < len(s) {
		if s[i]|0x20 == 't' && !inTime {
			inTime = true
			i++
			continue
		}
		n, j := int64(0), i
		for ; j < len(s) && s[j]-'0' <= 9; j++ {
			if n = n*10 + int64(s[j]-'0'); n > maxDuration {
				return Duration{}, fmt.Errorf("is longer than the calendar")
			}
		}
		if j == i || j == len(s) {
			return Duration{}, errDuration
		}
		switch u := s[j] | 0x20; {
		case u == 'w' && !inTime:
			days += 7 * n
		case u == 'd' && !inTime:
			days += n
		case u == 'h' && inTime:
			secs += 3600 * n
		case u == 'm' && inTime:
			secs += 60 * n
		case u == 's' && inTime:
			secs += n
		default:
			return Duration{}, errDuration
		}
		if days > maxDuration/SecondsPerDay || secs > maxDuration/100 {
			return Duration{}, fmt.Errorf("is longer than the calendar")
		}
		seen, i = true, j+1
	}
	if !seen {
		return Duration{}, errDuration
	}
	return Duration{sign * days, time.Duration(sign*secs) * time.Second}, nil
}

// maxOffset is a little more than any offset in use: a UTC-OFFSET past it is an error.
const maxOffset = 24 * 3600

// ParseOffset reads a UTC-OFFSET (RFC 5545 3.3.14), in seconds east of UTC.
func ParseOffset[T string | []byte](s T) (int, error) {
	err := errors.New("is no offset such as +0100")
	if len(s) != 5 && len(s) != 7 || s[0] != '+' && s[0] != '-' {
		return 0, err
	}
	h, ok1 := digits(s, 1, 2)
	m, ok2 := digits(s, 3, 2)
	sec, ok3 := 0, true
	if len(s) == 7 {
		sec, ok3 = digits(s, 5, 2)
	}
	off := h*3600 + m*60 + sec
	if !ok1 || !ok2 || !ok3 || m > 59 || sec > 59 || off >= maxOffset {
		return 0, err
	}
	if s[0] == '-' {
		off = -off
	}
	return off, nil
}
