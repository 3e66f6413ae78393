package meter

import (
	"strconv"
	"strings"
	"time"
	"unicode"
)

// A moment is a stamp as it stands in a file: a wall time, perhaps with an offset or the name of one.
type moment struct {
	// dayFirst and monthFirst are the wall time as Unix seconds if it were UTC, under both readings of 05/06/2026; they
	// are equal where the order of the date is plain, and noWall where a reading makes no date.
	dayFirst, monthFirst int64
	offset               int32 // seconds east of UTC; noOffset where there is none
	abbreviation         string
}

const (
	noWall   = int64(-1) << 62
	noOffset = int32(-1) << 30
)

// parseStamp reads a date with or without a time of day, or seconds or milliseconds since 1970.
func parseStamp(s string) (moment, bool) {
	s = strings.TrimSpace(s)
	if digits(s) == len(s) && len(s) != 8 {
		return parsePlain(s)
	}
	colon := strings.IndexByte(s, ':')
	if colon < 0 {
		d, m, ok := parseDate(s)
		return moment{d, m, noOffset, ""}, ok
	}
	begin := colon
	for begin > 0 && isDigit(s[begin-1]) {
		begin--
	}
	seconds, rest, ok := parseClock(s[begin:])
	if !ok {
		return moment{}, false
	}
	d, m, ok := parseDate(strings.TrimRight(s[:begin], "Tt ,"))
	if !ok {
		return moment{}, false
	}
	off, name, ok := parseZone(rest)
	return moment{after(d, seconds), after(m, seconds), off, name}, ok
}

func after(midnight, seconds int64) int64 {
	if midnight == noWall {
		return noWall
	}
	return midnight + seconds
}

// parsePlain reads a stamp of digits alone.
func parsePlain(s string) (moment, bool) {
	if s == "" || len(s) > 14 {
		return moment{}, false
	}
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil {
		return moment{}, false
	}
	switch len(s) {
	case 9, 10:
		return moment{n, n, 0, ""}, true
	case 13:
		return moment{n / 1000, n / 1000, 0, ""}, n%1000 == 0
	case 12, 14:
		day, _, ok := parseDate(s[:8])
		clock := s[8:10] + ":" + s[10:12]
		if len(s) == 14 {
			clock += ":" + s[12:]
		}
		seconds, _, valid := parseClock(clock)
		return moment{day + seconds, day + seconds, noOffset, ""}, ok && valid
	}
	return moment{}, false
}

// parseClock reads 0:30, 00:30, 00:30:00, 00:30:00.000 or 12:30 AM off the front of s. 24:00 is the end of the day.
func parseClock(s string) (seconds int64, rest string, ok bool) {
	var parts [3]int64
	n := 0
	for ; n < 3; n++ {
		w := digits(s)
		if w == 0 || w > 2 {
			return 0, "", false
		}
		parts[n], _ = strconv.ParseInt(s[:w], 10, 64)
		if s = s[w:]; s == "" || s[0] != ':' {
			n++
			break
		}
		s = s[1:]
	}
	if len(s) > 1 && (s[0] == '.' || s[0] == ',') && digits(s[1:]) > 0 { // no reading starts within a second
		fraction := s[1 : 1+digits(s[1:])]
		if strings.Trim(fraction, "0") != "" {
			return 0, "", false
		}
		s = s[1+len(fraction):]
	}
	rest = strings.TrimSpace(s)
	half := strings.ToLower(strings.ReplaceAll(rest, ".", ""))
	switch {
	case strings.HasPrefix(half, "am"), strings.HasPrefix(half, "pm"):
		if parts[0] < 1 || parts[0] > 12 {
			return 0, "", false
		}
		parts[0] %= 12
		if half[0] == 'p' {
			parts[0] += 12
		}
		if rest[1] == '.' {
			rest = strings.TrimPrefix(rest[2:], " ")
			rest = strings.TrimPrefix(rest[1:], ".")
		} else {
			rest = rest[2:]
		}
	}
	seconds = parts[0]*3600 + parts[1]*60 + parts[2]
	ok = n >= 2 && parts[1] < 60 && parts[2] < 60 && seconds <= 24*3600
	return seconds, strings.TrimSpace(rest), ok
}

// parseZone reads what follows a time of day: nothing, Z, an offset, or an abbreviation such as CEST.
func parseZone(s string) (off int32, name string, ok bool) {
	s = strings.Trim(s, "()")
	switch strings.ToUpper(s) {
	case "":
		return noOffset, "", true
	case "Z", "UTC", "GMT":
		return 0, "", true
	}
	if s[0] == '+' || s[0] == '-' {
		d := s[1:]
		switch {
		case len(d) == 2:
			d += "00"
		case len(d) == 5 && d[2] == ':':
			d = d[:2] + d[3:]
		}
		n, err := strconv.Atoi(d)
		if err != nil || len(d) != 4 || digits(d) != 4 || n/100 > 15 || n%100 > 59 {
			return 0, "", false
		}
		off = int32(n/100*3600 + n%100*60)
		if s[0] == '-' {
			off = -off
		}
		return off, "", true
	}
	for _, r := range s {
		if !unicode.IsLetter(r) {
			return 0, "", false
		}
	}
	return noOffset, s, len(s) >= 2 && len(s) <= 6
}

// parseDate returns midnight of the date under both orders of all-number dates.
func parseDate(s string) (dayFirst, monthFirst int64, ok bool) {
	if len(s) == 8 && digits(s) == 8 {
		s = s[:4] + "-" + s[4:6] + "-" + s[6:]
	}
	parts := strings.FieldsFunc(s, func(r rune) bool { return strings.ContainsRune("-/. ,", r) })
	if len(parts) == 4 && weekday(parts[0]) {
		parts = parts[1:]
	}
	if len(parts) != 3 {
		return 0, 0, false
	}
	a, b, c := parts[0], parts[1], parts[2]
	plain := func(y, m, d string) (int64, int64, bool) {
		t := date(y, m, d)
		return t, t, t != noWall
	}
	switch {
	case len(a) == 4 && digits(a) == 4:
		return plain(a, b, c)
	case digits(a) == 0:
		return plain(c, a, b)
	case digits(b) == 0, strings.ContainsRune(s, '.'): // dots are written between day and month only
		return plain(c, b, a)
	}
	dayFirst, monthFirst = date(c, b, a), date(c, a, b)
	return dayFirst, monthFirst, dayFirst != noWall || monthFirst != noWall
}

// date returns midnight of a date given as text, or noWall where there is no such date.
func date(year, month, day string) int64 {
	y, err1 := strconv.Atoi(year)
	d, err2 := strconv.Atoi(day)
	m := monthOf(month)
	if len(year) == 2 {
		y += 2000
	}
	if err1 != nil || err2 != nil || m == 0 || y < 1970 || y > 2199 || len(day) > 2 || len(year) != 2 && len(year) != 4 {
		return noWall
	}
	t := time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
	if t.Day() != d || t.Month() != m {
		return noWall
	}
	return t.Unix()
}

func monthOf(s string) time.Month {
	if n, err := strconv.Atoi(s); err == nil && n >= 1 && n <= 12 && len(s) <= 2 {
		return time.Month(n)
	}
	for m := time.January; m <= time.December; m++ {
		if len(s) >= 3 && len(s) <= len(m.String()) && strings.EqualFold(s, m.String()[:len(s)]) {
			return m
		}
	}
	return 0
}

func weekday(s string) bool {
	for d := time.Sunday; d <= time.Saturday; d++ {
		if len(s) >= 2 && len(s) <= len(d.String()) && strings.EqualFold(s, d.String()[:len(s)]) {
			return true
		}
	}
	return false
}

func isDigit(c byte) bool { return c >= '0' && c <= '9' }

// digits returns how many digits s begins with.
func digits(s string) int {
	n := 0
	for n < len(s) && isDigit(s[n]) {
		n++
	}
	return n
}
