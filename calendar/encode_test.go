package calendar

import (
	"bytes"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	ics "github.com/arran4/golang-ical"
	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func sampleEntry() Entry {
	start := time.Date(2026, 3, 29, 13, 0, 0, 0, time.UTC)
	return Entry{
		UID: "w1.during@spillway", Start: start, End: start.Add(time.Hour), Summary: "Free power; barn, van",
		Description: "13:00 charge\n14:00 back to own_use", Categories: []string{"surplus", "a,b"}, Sequence: 3,
		Stamp: start.Add(-24 * time.Hour), LastModified: start.Add(-time.Hour), Color: "gold", URL: "http://127.0.0.1:8377/",
		Related: []Related{{UID: "w1.lead@spillway", Type: "FINISHTOSTART"}, {UID: "w1@spillway", Type: "PARENT"}},
		Alarms:  []Alarm{{Before: 15 * time.Minute, Text: "Free power soon"}}, Transparent: true,
	}
}

// The expected text is written by hand from RFC 5545 3.4 to 3.8, RFC 7986 5.1, 5.7 and 5.9, and RFC 9253 5.
func TestEncode(t *testing.T) {
	got, err := Encode(Publication{ProdID: "-//Spillway//EN", Name: "Plan", Text: "What will be done", Refresh: 5 * time.Minute, Entries: []Entry{sampleEntry()}})
	if err != nil {
		t.Fatal(err)
	}
	want := strings.Join([]string{
		"BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Spillway//EN", "NAME:Plan", "X-WR-CALNAME:Plan", "DESCRIPTION:What will be done",
		"REFRESH-INTERVAL;VALUE=DURATION:PT5M", "X-PUBLISHED-TTL:PT5M",
		"BEGIN:VEVENT", "UID:w1.during@spillway", "DTSTAMP:20260328T130000Z", "DTSTART:20260329T130000Z", "DTEND:20260329T140000Z",
		`SUMMARY:Free power\; barn\, van`, `DESCRIPTION:13:00 charge\n14:00 back to own_use`, "CATEGORIES:surplus", `CATEGORIES:a\,b`,
		"STATUS:CONFIRMED", "SEQUENCE:3", "LAST-MODIFIED:20260329T120000Z", "COLOR:gold", "URL:http://127.0.0.1:8377/",
		"RELATED-TO;RELTYPE=FINISHTOSTART:w1.lead@spillway", "RELATED-TO:w1@spillway", "TRANSP:TRANSPARENT",
		"BEGIN:VALARM", "ACTION:DISPLAY", "DESCRIPTION:Free power soon", "TRIGGER:-PT15M", "END:VALARM",
		"END:VEVENT", "END:VCALENDAR", "",
	}, "\r\n")
	if d := cmp.Diff(want, string(got)); d != "" {
		t.Error(d)
	}
}

func TestEncodeRefuses(t *testing.T) {
	for name, spoil := range map[string]func(*Entry){
		"no uid":           func(e *Entry) { e.UID = "\x00" },
		"no stamp":         func(e *Entry) { e.Stamp = time.Time{} },
		"end before start": func(e *Entry) { e.End = e.Start.Add(-time.Second) },
		"year 10000":       func(e *Entry) { e.End = time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC) },
	} {
		e := sampleEntry()
		spoil(&e)
		if b, err := Encode(Publication{ProdID: "x", Entries: []Entry{e}}); err == nil {
			t.Errorf("%s: no error, wrote %s", name, b)
		}
	}
}

// wellFormed checks what RFC 5545 3.1 asks of every line, and that a text opened no line of its own.
func wellFormed(t interface{ Fatalf(string, ...any) }, b []byte, entries int) {
	if !utf8.Valid(b) {
		t.Fatalf("not UTF-8: %q", b)
	}
	if n := bytes.Count(b, []byte("BEGIN:VEVENT\r\n")); n != entries {
		t.Fatalf("%d events instead of %d: %q", n, entries, b)
	}
	for _, l := range strings.Split(strings.TrimSuffix(string(b), "\r\n"), "\r\n") {
		if len(l) > 75 {
			t.Fatalf("line of %d octets: %q", len(l), l)
		}
		if strings.ContainsFunc(l, func(r rune) bool { return isControl(r) && r != '\t' }) {
			t.Fatalf("control character in %q", l)
		}
	}
}

func anyText() *rapid.Generator[string] {
	return rapid.OneOf(rapid.String(), rapid.StringOf(rapid.RuneFrom([]rune("a ,;:\\\"'\n\r\t\x00\u0085\u2028\ufeff€\U0001F50B<>"))),
		rapid.Custom(func(t *rapid.T) string { return string(rapid.SliceOf(rapid.Byte()).Draw(t, "bytes")) }))
}

// An independent reader, golang-ical's own, must see one event with the same summary.
func TestEncodeAnyText(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := sampleEntry()
		e.Summary, e.Description = anyText().Draw(t, "summary"), anyText().Draw(t, "description")
		e.URL = anyText().Draw(t, "url")
		p := Publication{ProdID: "-//Spillway//EN", Name: anyText().Draw(t, "name"), Entries: []Entry{e, sampleEntry()}}
		b, err := Encode(p)
		if err != nil {
			t.Fatal(err)
		}
		wellFormed(t, b, 2)
		again, _ := Encode(p)
		if !bytes.Equal(b, again) {
			t.Fatal("the same publication gave other bytes")
		}
		cal, err := ics.ParseCalendar(bytes.NewReader(b))
		if err != nil {
			t.Fatalf("%v in %q", err, b)
		}
		ev := cal.Events()
		if got := ev[0].GetProperty(ics.ComponentPropertySummary).Value; len(ev) != 2 || got != CleanText(e.Summary) {
			t.Fatalf("%d events, summary %q instead of %q", len(ev), got, CleanText(e.Summary))
		}
	})
}
