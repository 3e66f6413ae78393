package civil

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

// The reference for day arithmetic is package time, whose calendar is the same proleptic Gregorian one.
func TestDateAgreesWithTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := Day(rapid.Int64Range(int64(FirstDay)-800, int64(LastDay)+800).Draw(t, "day"))
		want := time.Unix(int64(d)*SecondsPerDay, 0).UTC()
		y, m, dd := d.Date()
		if wy, wm, wd := want.Date(); y != wy || m != int(wm) || dd != wd {
			t.Fatalf("day %d is %d-%d-%d, want %s", d, y, m, dd, want)
		}
		if Date(y, m, dd) != d {
			t.Fatalf("%d-%d-%d is day %d, want %d", y, m, dd, Date(y, m, dd), d)
		}
		if d.Weekday() != (int(want.Weekday())+6)%7 {
			t.Fatalf("day %d is weekday %d, want %s", d, d.Weekday(), want.Weekday())
		}
		if n := time.Date(y, time.Month(m)+1, 0, 0, 0, 0, 0, time.UTC).Day(); DaysIn(y, m) != n {
			t.Fatalf("month %d-%d has %d days, want %d", y, m, DaysIn(y, m), n)
		}
	})
}

func TestParse(t *testing.T) {
	at := func(y, m, d, hh, mm, ss int, f Form) Value {
		return Value{Wall(time.Date(y, time.Month(m), d, hh, mm, ss, 0, time.UTC).Unix()), f}
	}
	for in, want := range map[string]Value{
		"19970714":         at(1997, 7, 14, 0, 0, 0, DateOnly), // RFC 5545 3.3.4
		"19980118T230000":  at(1998, 1, 18, 23, 0, 0, Local),   // 3.3.5
		"19980119T070000Z": at(1998, 1, 19, 7, 0, 0, UTC),      // 3.3.5
		"19970630T235960Z": at(1997, 6, 30, 23, 59, 59, UTC),   // 3.3.5, the leap second
		"20240229t120000z": at(2024, 2, 29, 12, 0, 0, UTC),
		"20240229T240000":  at(2024, 3, 1, 0, 0, 0, Local),
		"99991231":         at(9999, 12, 31, 0, 0, 0, DateOnly),
	} {
		if got, err := Parse(in); err != nil || got != want {
			t.Errorf("%s: %v, %v; want %v", in, got, err, want)
		}
	}
	for _, in := range []string{"", "1997", "00000101", "19970230", "19971301", "19970100", "999990101", "19970714T", "19980118X230000",
		"19980118T250000", "19980118T236000", "19980118T230061", "19980118T240001", "19980118T2300", "1998 118", "19980119T070000z0", "19980119T070000+"} {
		if v, err := Parse([]byte(in)); err == nil {
			t.Errorf("%q read as %v", in, v)
		}
	}
}

func TestParseDuration(t *testing.T) {
	for in, want := range map[string]Duration{
		"P15DT5H0M20S": {15, 5*time.Hour + 20*time.Second}, // RFC 5545 3.3.6
		"P7W":          {49, 0},                            // 3.3.6
		"-PT15M":       {0, -15 * time.Minute},
		"+P1D":         {1, 0},
		"PT24H":        {0, 24 * time.Hour},
		"P1W2D":        {9, 0},
		"PT0S":         {},
	} {
		if got, err := ParseDuration(in); err != nil || got != want {
			t.Errorf("%s: %v, %v; want %v", in, got, err, want)
		}
	}
	for _, in := range []string{"", "P", "PT", "P1", "P1H", "PT1D", "1D", "P-1D", "PT1HT1M", "P1Y", "P9999999999999999999W", "P99999999W", "PT1.5H"} {
		if d, err := ParseDuration(in); err == nil {
			t.Errorf("%q read as %v", in, d)
		}
	}
}

func TestParseOffset(t *testing.T) {
	for in, want := range map[string]int{"-0500": -18000, "+0100": 3600, "+005328": 3208, "-0000": 0} { // RFC 5545 3.3.14
		if got, err := ParseOffset(in); err != nil || got != want {
			t.Errorf("%s: %d, %v; want %d", in, got, err, want)
		}
	}
	for _, in := range []string{"", "0100", "+1", "+0160", "+2400", "+01000", "+01:00"} {
		if n, err := ParseOffset(in); err == nil {
			t.Errorf("%q read as %d", in, n)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add("20260329T013000Z")
	f.Add("-P15DT5H0M20S")
	f.Fuzz(func(t *testing.T, s string) {
		if v, err := Parse(s); err == nil {
			if d := v.Wall.Day(); d < FirstDay || d > LastDay+1 {
				t.Errorf("%q is day %d", s, d)
			}
		}
		if d, err := ParseDuration(s); err == nil && (d.Days > int64(LastDay-FirstDay)*2 || d.Days < -int64(LastDay-FirstDay)*2) {
			t.Errorf("%q is %d days", s, d.Days)
		}
		_, _ = ParseOffset(s)
	})
}
