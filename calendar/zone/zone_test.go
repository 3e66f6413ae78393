package zone

import (
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"spillway/calendar/civil"
	"spillway/calendar/recur"
)

var someZones = []string{"Europe/London", "America/New_York", "Australia/Lord_Howe", "Pacific/Apia", "America/Sao_Paulo", "Africa/Casablanca", "Asia/Kathmandu", "Antarctica/Troll", "UTC"}

func load(t interface{ Fatal(...any) }, name string) *time.Location {
	loc, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return loc
}

// plainInstant is RFC 5545 3.3.5 by brute force: of all instants that show the wall the first; in a gap, what the offset before
// it gives.
func plainInstant(loc *time.Location, w civil.Wall) int64 {
	offset := func(at int64) int64 {
		_, o := time.Unix(at, 0).In(loc).Zone()
		return int64(o)
	}
	for at := int64(w) - 27*3600; at <= int64(w)+27*3600; at += 900 {
		if u := int64(w) - offset(at); offset(u) == int64(w)-u {
			return u
		}
	}
	for at := int64(w) - 27*3600; ; { // the change that jumps over w
		_, next := time.Unix(at, 0).In(loc).ZoneBounds()
		if before := offset(next.Unix() - 1); int64(w) < next.Unix()+offset(next.Unix()) {
			return int64(w) - before
		}
		at = next.Unix()
	}
}

func TestInstantAgreesWithBruteForce(t *testing.T) {
	zones := map[string]*Zone{}
	for _, n := range someZones {
		zones[n] = Of(load(t, n))
	}
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom(someZones).Draw(t, "zone")
		loc, z := load(t, name), zones[name]
		// Around a clock change, more often than not.
		at := rapid.Int64Range(0, 3_000_000_000).Draw(t, "at")
		if _, next := time.Unix(at, 0).In(loc).ZoneBounds(); !next.IsZero() && rapid.Bool().Draw(t, "near") {
			at = next.Unix() + rapid.Int64Range(-100_000, 100_000).Draw(t, "off")
		}
		w := civil.WallOf(time.Unix(at, 0).In(loc)) + civil.Wall(rapid.Int64Range(-7200, 7200).Draw(t, "wall"))
		if got, want := z.Instant(w), plainInstant(loc, w); got != want {
			t.Fatalf("%s %s: %s, want %s", name, w.Time().Format(time.DateTime), time.Unix(got, 0).UTC(), time.Unix(want, 0).UTC())
		}
		if got, want := z.Wall(at), civil.WallOf(time.Unix(at, 0).In(loc)); got != want {
			t.Fatalf("%s at %d shows %d, want %d", name, at, got, want)
		}
	})
}

func vtimezone(parts ...string) []byte {
	return []byte("BEGIN:VTIMEZONE\r\nTZID:x\r\n" + strings.Join(parts, "") + "END:VTIMEZONE\r\n")
}

func part(kind, start, from, to, more string) string {
	return fmt.Sprintf("BEGIN:%s\r\nDTSTART:%s\r\nTZOFFSETFROM:%s\r\nTZOFFSETTO:%s\r\n%sEND:%s\r\n", kind, start, from, to, more, kind)
}

func parseZone(t interface{ Fatal(...any) }, parts ...string) *Zone {
	z, err := Parse(vtimezone(parts...), 1, &recur.Budget{Left: 10_000_000})
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// Source: the system's zone database. The rules are the European ones since 1996 and New York's since 1967, the latter as in
// RFC 5545 3.6.5, with rules that end and follow one another.
func TestDefinitionsAgreeWithDatabase(t *testing.T) {
	for _, c := range []struct {
		name  string
		from  int
		parts []string
	}{
		{"Europe/London", 1996, []string{
			part("DAYLIGHT", "19810329T010000", "+0000", "+0100", "RRULE:FREQ=YEARLY;BYMONTH=3;BYDAY=-1SU\r\n"),
			part("STANDARD", "19961027T020000", "+0100", "+0000", "RRULE:FREQ=YEARLY;BYMONTH=10;BYDAY=-1SU\r\n"),
		}},
		{"America/New_York", 1967, []string{
			part("DAYLIGHT", "19670430T020000", "-0500", "-0400", "RRULE:FREQ=YEARLY;BYMONTH=4;BYDAY=-1SU;UNTIL=19730429T070000Z\r\n"),
			part("STANDARD", "19671029T020000", "-0400", "-0500", "RRULE:FREQ=YEARLY;BYMONTH=10;BYDAY=-1SU;UNTIL=20061029T060000Z\r\n"),
			part("DAYLIGHT", "19740106T020000", "-0500", "-0400", "RDATE:19750223T020000\r\n"),
			part("DAYLIGHT", "19760425T020000", "-0500", "-0400", "RRULE:FREQ=YEARLY;BYMONTH=4;BYDAY=-1SU;UNTIL=19860427T070000Z\r\n"),
			part("DAYLIGHT", "19870405T020000", "-0500", "-0400", "RRULE:FREQ=YEARLY;BYMONTH=4;BYDAY=1SU;UNTIL=20060402T070000Z\r\n"),
			part("DAYLIGHT", "20070311T020000", "-0500", "-0400", "RRULE:FREQ=YEARLY;BYMONTH=3;BYDAY=2SU\r\n"),
			part("STANDARD", "20071104T020000", "-0400", "-0500", "RRULE:FREQ=YEARLY;BYMONTH=11;BYDAY=1SU\r\n"),
		}},
	} {
		z, loc := parseZone(t, c.parts...), load(t, c.name)
		// Past 2050, and then further: the definition is evaluated on demand.
		for at := time.Date(c.from, 12, 1, 0, 0, 0, 0, time.UTC); at.Year() < 2120; at = at.Add(5*time.Hour + 7*time.Minute) {
			if _, want := at.In(loc).Zone(); z.Offset(at.Unix()) != want {
				t.Fatalf("%s at %s: %d, want %d", c.name, at, z.Offset(at.Unix()), want)
			}
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for name, text := range map[string][]byte{
		"no parts":             vtimezone(),
		"no offset":            vtimezone("BEGIN:STANDARD\r\nDTSTART:19700101T000000\r\nEND:STANDARD\r\n"),
		"no start":             vtimezone("BEGIN:STANDARD\r\nTZOFFSETTO:+0100\r\nEND:STANDARD\r\n"),
		"offset out of range":  vtimezone(part("STANDARD", "19700101T000000", "+0100", "+9900", "")),
		"start is no date":     vtimezone(part("STANDARD", "yesterday", "+0100", "+0000", "")),
		"rule is none":         vtimezone(part("STANDARD", "19700101T000000", "+0100", "+0000", "RRULE:FREQ=OFTEN\r\n")),
		"changes every second": vtimezone(part("STANDARD", "19700101T000000", "+0100", "+0000", "RRULE:FREQ=SECONDLY\r\n")),
		"date is none":         vtimezone(part("STANDARD", "19700101T000000", "+0100", "+0000", "RDATE:soon\r\n")),
	} {
		if z, err := Parse(text, 1, &recur.Budget{Left: 10_000_000}); err == nil {
			t.Errorf("%s: read as %v", name, z)
		}
	}
}

// Every Windows zone of the table leads to a zone of the database.
func TestWindowsZonesLoad(t *testing.T) {
	src, err := os.ReadFile("windows.go")
	if err != nil {
		t.Fatal(err)
	}
	names := regexp.MustCompile(`case "([^"]+)":`).FindAllStringSubmatch(string(src), -1)
	if len(names) < 130 {
		t.Fatalf("only %d names", len(names))
	}
	for _, m := range names {
		if _, err := Named(m[1]); err != nil {
			t.Error(err)
		}
	}
}

func TestNamed(t *testing.T) {
	for tzid, want := range map[string]string{
		"Europe/London": "Europe/London", "EUROPE/LONDON": "Europe/London", "europe/isle_of_man": "Europe/Isle_of_Man", "utc": "UTC", "america/port-au-prince": "America/Port-au-Prince",
		"/mozilla.org/20070129_1/America/New_York": "America/New_York", "/Europe/Stockholm": "Europe/Stockholm", "tzone://Microsoft/Utc": "UTC",
		"GMT Standard Time": "Europe/London", "central europe standard time": "Europe/Budapest",
	} {
		z, err := Named(tzid)
		if err != nil || z.Name() != want {
			t.Errorf("%s: %v, want %s", tzid, err, want)
		}
	}
	for _, tzid := range []string{"", "Local", "local", "localtime", "LOCALTIME", "posixrules", "right/UTC2", "/etc/localtime", "../../etc/passwd", "Nowhere", "UTC+11", "London", "/prefix/Japan", strings.Repeat("a/", 200)} {
		if z, err := Named(tzid); err == nil {
			t.Errorf("%q is %s", tzid, z.Name())
		}
	}
}

func FuzzZone(f *testing.F) {
	f.Add([]byte(part("STANDARD", "19700101T000000", "+0100", "+0000", "RRULE:FREQ=YEARLY;BYMONTH=10;BYDAY=-1SU\r\n")), int64(1_770_000_000))
	f.Add([]byte(part("DAYLIGHT", "16010101T020000", "-1200", "+1400", "RDATE;VALUE=PERIOD:20260101T000000/PT1H\r\n")), int64(-62_000_000_000))
	f.Fuzz(func(t *testing.T, parts []byte, at int64) {
		at %= 253_402_300_800
		z, err := Parse(vtimezone(string(parts)), 1, &recur.Budget{Left: 5_000_000})
		if err != nil {
			return
		}
		for _, at := range []int64{at, at + 86400*200} {
			if s := z.segment(at); !s.holds(at) || s.offset != z.Offset(at) {
				t.Fatalf("%v does not hold %d", s, at)
			}
			w := z.Wall(at)
			if first := z.Instant(w); z.Wall(first) == w && first > at {
				t.Fatalf("%d shows %d, and so does the later %d", at, w, first)
			}
		}
	})
}
