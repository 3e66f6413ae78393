package feed

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"pgregory.net/rapid"

	"spillway/calendar"
)

// RFC 5545 3.4 (a stream of one or more calendars), 1.3 and 3.1 (names are case-insensitive). That blank lines, a byte
// order mark and text round a calendar are passed over is common practice, no source.
func TestCheckBody(t *testing.T) {
	whole := cal("a")
	tests := []struct {
		name, body string
		want       error
	}{
		{"whole", whole, nil},
		{"no events", cal(), nil},
		{"two calendars", cal("a") + cal("b"), nil},
		{"line feeds only", strings.ReplaceAll(whole, "\r\n", "\n"), nil},
		{"carriage returns only", strings.ReplaceAll(whole, "\r\n", "\r"), nil},
		{"no last line end", strings.TrimSpace(whole), nil},
		{"lower case", strings.ToLower(whole), nil},
		{"byte order mark", "\xef\xbb\xbf" + whole, nil},
		{"blank lines round it", "\r\n\n" + whole + "\n \n", nil},
		{"spaces after the end", strings.TrimSpace(whole) + "  \r\n", nil},
		{"a comment after the end", whole + "<!-- made in 12 ms -->\n", nil},
		{"nothing", "", calendar.ErrEmpty},
		{"blank", " \r\n\t", calendar.ErrEmpty},
		{"mark only", "\xef\xbb\xbf", calendar.ErrEmpty},
		{"page", "<html>BEGIN:VCALENDAR\r\nEND:VCALENDAR\r\n", calendar.ErrNotCalendar},
		{"json", `["vcalendar",[],[]]`, calendar.ErrNotCalendar},
		{"an event alone", event("a"), calendar.ErrNotCalendar},
		{"another thing", "BEGIN:VCARD\r\nEND:VCARD\r\n", calendar.ErrNotCalendar},
		{"cut in the first word", "BEGIN:VCAL", calendar.ErrTruncated},
		{"cut in an event", whole[:len(whole)/2], calendar.ErrTruncated},
		{"cut in the last word", strings.TrimSuffix(whole, "DAR\r\n"), calendar.ErrTruncated},
		{"second one cut", cal("a") + whole[:len(whole)/2], calendar.ErrTruncated},
		{"end inside a text", strings.TrimSuffix(whole, "END:VCALENDAR\r\n") + "DESCRIPTION:END:VCALENDAR\r\n", calendar.ErrTruncated},
		{"end folded away", strings.TrimSuffix(whole, "END:VCALENDAR\r\n") + "X:\r\n END:VCALENDAR\r\n", calendar.ErrTruncated},
		{"a slip after the end", strings.TrimSuffix(whole, "\r\n") + "D\r\n", nil},
		{"a warning before the beginning", "Warning: line 12\r\n" + whole, nil},
		{"far before the beginning", strings.Repeat("x\n", 40_000) + whole, calendar.ErrNotCalendar},
		{"far after the end", whole + strings.Repeat("x\n", 600_000), calendar.ErrTruncated},
		{"cut in the first word after a warning", "Warning\r\nBEGIN:VC", calendar.ErrTruncated},
	}
	for _, tt := range tests {
		if err := checkBody([]byte(tt.body)); !errors.Is(err, tt.want) {
			t.Errorf("%s: %v, want %v", tt.name, err, tt.want)
		}
	}
}

// No beginning of a whole calendar passes for a whole one.
func TestCheckBodyRefusesEveryCut(t *testing.T) {
	whole := strings.TrimSpace(cal("a", "b") + cal("c"))
	inner := len(strings.TrimSpace(cal("a", "b")))
	for cut := range len(whole) {
		// A cut between two calendars leaves whole ones; only the length can tell, and HTTP's does.
		if err := checkBody([]byte(whole[:cut])); err == nil && (cut < inner || cut > inner+len("\r\n")) {
			t.Errorf("cut at %d of %d passes", cut, len(whole))
		}
	}
}

// Whole calendars of public test suites pass. They are outside the project; see the manifest beside them for their sources.
func TestCheckBodyTakesPublicCalendars(t *testing.T) {
	dir := filepath.Join("..", "..", "..", "shared", "ical", "cases")
	files, err := filepath.Glob(filepath.Join(dir, "*.ics"))
	if err != nil || len(files) == 0 {
		if os.Getenv("SPILLWAY_CI") == "1" {
			t.Fatalf("no calendars in %s: %v", dir, err)
		}
		t.Skipf("no calendars in %s", dir)
	}
	for _, file := range files {
		body, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if err := checkBody(body); err != nil {
			t.Errorf("%s: %v", filepath.Base(file), err)
		}
	}
}

// Large bodies are judged in one go, whatever is in them.
func TestCheckBodyIsQuick(t *testing.T) {
	const size = 16_000_000
	for name, body := range map[string][]byte{
		"one line":    append([]byte("BEGIN:VCALENDAR\r\nX:"), bytes.Repeat([]byte("x"), size)...),
		"short lines": append([]byte("BEGIN:VCALENDAR\r\n"), bytes.Repeat([]byte("x\n"), size/2)...),
		"blanks":      bytes.Repeat([]byte(" "), size),
		"zeros":       make([]byte, size),
	} {
		began := time.Now()
		if err := checkBody(body); err == nil {
			t.Errorf("%s passes", name)
		}
		if took := time.Since(began); took > 30*time.Second { // any repeated search takes hours
			t.Errorf("%s takes %v", name, took)
		}
	}
}

func FuzzCheckBody(f *testing.F) {
	for _, seed := range []string{"", cal("a"), cal("a")[:40], "<p>", "\xef\xbb\xbfBEGIN:VCALENDAR\rEND:VCALENDAR", "BEGIN:VCALENDAR\nX"} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		err := checkBody(body)
		upper := bytes.ToUpper(body)
		if err == nil && (!bytes.Contains(upper, beginCalendar) || !bytes.Contains(upper, endCalendar)) {
			t.Errorf("%q passes", body)
		}
		if err != nil && !errors.Is(err, calendar.ErrEmpty) && !errors.Is(err, calendar.ErrNotCalendar) && !errors.Is(err, calendar.ErrTruncated) {
			t.Errorf("%q: an error of another kind: %v", body, err)
		}
		// What passes still passes when it stands in a stream of several.
		if err == nil {
			var j joiner
			j.add("a", "", body)
			j.add("b", "", []byte(cal()))
			if err := checkBody(j.body.Bytes()); err != nil {
				t.Errorf("%q joined: %v", body, err)
			}
		}
	})
}

// readBody gives what io.ReadAll gives, however the bytes come, and the old slice itself where they are the same.
func TestReadBodyLikeReadAll(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		old := rapid.SliceOfN(rapid.Byte(), 0, 100_000).Draw(t, "old")
		keep := rapid.IntRange(0, len(old)).Draw(t, "keep")
		fresh := append(append([]byte{}, old[:keep]...), rapid.SliceOfN(rapid.Byte(), 0, 400_000).Draw(t, "rest")...)
		most := int64(rapid.IntRange(0, 600_000).Draw(t, "most"))
		var r io.Reader = bytes.NewReader(fresh)
		switch rapid.IntRange(0, 2).Draw(t, "how") {
		case 1:
			r = iotest.HalfReader(r)
		case 2:
			r = iotest.DataErrReader(r)
		}
		body, same, err := readBody(r, old, most, rapid.Int64Range(-1, 700_000).Draw(t, "expect"))
		switch {
		case int64(len(fresh)) > most:
			if !errors.Is(err, ErrTooBig) || body != nil {
				t.Fatalf("%d bytes of at most %d: %d bytes, %v", len(fresh), most, len(body), err)
			}
		case err != nil || !bytes.Equal(body, fresh):
			t.Fatalf("%d bytes, %v; want %d", len(body), err, len(fresh))
		case same != (len(old) > 0 && bytes.Equal(old, fresh)): // nothing has yet to be judged
			t.Fatalf("same %v", same)
		case same && len(body) > 0 && &body[0] != &old[0]:
			t.Fatal("the same bytes in another slice")
		}
	})
}

func TestReadBodyPassesErrorsOn(t *testing.T) {
	old := []byte(bigCal(1 << 20))
	for _, n := range []int64{0, 10, 1 << 19} {
		for _, want := range []error{io.ErrUnexpectedEOF, errors.New("reset")} {
			for _, before := range [][]byte{nil, old} {
				r := io.MultiReader(io.LimitReader(bytes.NewReader(old), n), iotest.ErrReader(want))
				if body, _, err := readBody(r, before, 1<<30, 0); !errors.Is(err, want) || body != nil {
					t.Errorf("after %d bytes: %d bytes, %v; want %v", n, len(body), err, want)
				}
			}
		}
	}
}
