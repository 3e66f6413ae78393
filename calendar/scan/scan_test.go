package scan

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"

	ics "github.com/arran4/golang-ical"
	"github.com/google/go-cmp/cmp"
)

// log is a handler that writes down what it is handed.
type log struct{ lines []string }

func (l *log) add(format string, args ...any) {
	l.lines = append(l.lines, fmt.Sprintf(format, args...))
}
func (l *log) Calendar(line int)             { l.add("calendar %d", line) }
func (l *log) Property(raw []byte, line int) { l.add("property %d %s", line, raw) }
func (l *log) Zone(text []byte, line int) {
	l.add("zone %d of %d lines", line, bytes.Count(text, []byte("\n")))
}
func (l *log) Fault(line int, what string) { l.add("fault %d %s", line, what) }
func (l *log) Event(e *Event) {
	l.add("event %d in %d: uid %s, start %s, more %v, fault %q", e.Line, e.Calendar, e.UID, e.Start, e.More, e.Fault)
}

func TestWalk(t *testing.T) {
	for _, c := range []struct {
		name, body string
		want       []string
		shape      Shape
	}{
		{
			"two calendars", "BEGIN:VCALENDAR\nNAME:a\nBEGIN:VEVENT\nUID:1\nEND:VEVENT\nEND:VCALENDAR\nrubbish\nbegin:vcalendar\nbegin:vevent\ndtstart:x\nend:vevent\nend:vcalendar\n",
			[]string{"calendar 1", "property 2 NAME:a", `event 3 in 0: uid UID:1, start , more false, fault ""`, "calendar 8", `event 9 in 1: uid , start dtstart:x, more false, fault ""`},
			Shape{Calendars: 2, Events: 2},
		},
		{
			"folds, also in names", "BEGIN:VCALENDAR\r\nBEGIN:VEV\r\n ENT\r\nUI\r\n D:1\r\n 2\r\nDTST\r\n\tART:x\r\nEND:VEVENT\r\nEND:VCALENDAR",
			[]string{"calendar 1", "event 2 in 0: uid UI\r\n D:1\r\n 2, start DTST\r\n\tART:x, more false, fault \"\""}, Shape{Calendars: 1, Events: 1},
		},
		{
			"nested components keep their properties", "BEGIN:VCALENDAR\nBEGIN:VEVENT\nBEGIN:VALARM\nUID:alarm\nEND:VALARM\nUID:1\nRDATE:x\nEND:VEVENT\nEND:VCALENDAR\n",
			[]string{"calendar 1", `event 2 in 0: uid UID:1, start , more true, fault ""`}, Shape{Calendars: 1, Events: 1},
		},
		{
			"an alarm that is not closed", "BEGIN:VCALENDAR\nBEGIN:VEVENT\nUID:1\nBEGIN:VALARM\nEND:VEVENT\nBEGIN:VEVENT\nUID:2\nEND:VEVENT\nEND:VCALENDAR\n",
			[]string{"calendar 1", `event 2 in 0: uid UID:1, start , more false, fault ""`, `event 6 in 0: uid UID:2, start , more false, fault ""`}, Shape{Calendars: 1, Events: 2},
		},
		{
			"a to-do closed under a wrong name", "BEGIN:VCALENDAR\nBEGIN:VTODO\nEND:VTOOD\nBEGIN:VEVENT\nUID:1\nEND:VEVENT\nEND:VCALENDAR\n",
			[]string{"calendar 1", `event 4 in 0: uid UID:1, start , more false, fault ""`}, Shape{Calendars: 1, Events: 1},
		},
		{
			"an event that is not closed", "BEGIN:VCALENDAR\nBEGIN:VEVENT\nUID:1\nBEGIN:VEVENT\nUID:2\nEND:VEVENT\nEND:VCALENDAR\n",
			[]string{"calendar 1", `event 2 in 0: uid UID:1, start , more false, fault "it has no END:VEVENT: another VEVENT begins"`, `event 4 in 0: uid UID:2, start , more false, fault ""`},
			Shape{Calendars: 1, Events: 2},
		},
		{"a zone", "BEGIN:VCALENDAR\nBEGIN:VTIMEZONE\nBEGIN:STANDARD\nEND:STANDARD\nEND:VTIMEZONE\nEND:VCALENDAR\n", []string{"calendar 1", "zone 2 of 4 lines"}, Shape{Calendars: 1}},
		{"cut off", "BEGIN:VCALENDAR\nBEGIN:VEVENT\nUID:1\n", []string{"calendar 1", `event 2 in 0: uid UID:1, start , more false, fault "it has no END:VEVENT: the body ends"`}, Shape{Calendars: 1, Open: 1, Events: 1}},
		{"the first is cut off", "BEGIN:VCALENDAR\nBEGIN:VCALENDAR\nEND:VCALENDAR\n", []string{"calendar 1", "calendar 2"}, Shape{Calendars: 2, Open: 1}},
		{"an event outside", "BEGIN:VEVENT\nUID:1\nEND:VEVENT\n", nil, Shape{}},
		{"nothing", "", nil, Shape{}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var l log
			shape := Walk([]byte(c.body), &l)
			if d := cmp.Diff(c.want, l.lines); d != "" {
				t.Error(d)
			}
			if shape != c.shape {
				t.Errorf("%+v, want %+v", shape, c.shape)
			}
		})
	}
}

func TestSplit(t *testing.T) {
	for _, c := range []struct{ raw, name, tzid, value string }{
		{"DTSTART;TZID=America/New_York:19980119T020000", "DTSTART", "America/New_York", "19980119T020000"}, // RFC 5545 3.3.5
		{`ATTENDEE;TZID="a;b:c,d";CN=x:mailto:jane@calendar.example`, "ATTENDEE", "a;b:c,d", "mailto:jane@calendar.example"},
		{"DTSTART;TZID=(UTC+01:00) Amsterdam, Berlin:19980119T020000", "DTSTART", "(UTC+01:00) Amsterdam, Berlin", "19980119T020000"},
		{"DTSTART;;VALUE=DATE-TIME;tzid=x:19980119T020000", "DTSTART", "x", "19980119T020000"},
		{"REFRESH - INTERVAL; TZID = x :PT1H", "REFRESH - INTERVAL", "x", "PT1H"},
		{`X;TZID="say ^'hi^' ^^":v`, "X", `say "hi" ^`, "v"}, // RFC 6868
		{"SUMM\r\n ARY;TZ\r\n ID=x:a\r\n b", "SUMMARY", "x", "ab"},
		{"SUMMARY:", "SUMMARY", "", ""},
	} {
		var p Prop
		if err := p.Split([]byte(c.raw)); err != nil {
			t.Errorf("%q: %v", c.raw, err)
			continue
		}
		if string(p.Name) != c.name || string(p.Value) != c.value || string(p.Param("TZID")) != c.tzid {
			t.Errorf("%q: name %q, TZID %q, value %q", c.raw, p.Name, p.Param("TZID"), p.Value)
		}
	}
	for _, raw := range []string{"", "no colon", ":value", `A;B="c:d`, "A" + strings.Repeat(";B=c", MaxParams+1) + ":d", "A:" + strings.Repeat("x", MaxLine), `A;B="c"d:e`} {
		var p Prop
		if err := p.Split([]byte(raw)); err == nil {
			t.Errorf("%.40q read as %q %q", raw, p.Name, p.Value)
		}
	}
}

func TestText(t *testing.T) {
	for in, want := range map[string]string{
		`Project XYZ Final Review\nConference Room - 3B\nCome Prepared.`: "Project XYZ Final Review\nConference Room - 3B\nCome Prepared.", // RFC 5545 3.3.11
		`a\Nb\;c\,d\\e\"f\:g`: "a\nb;c,d\\e\"f:g", `\\n`: `\n`, `\x`: `\x`, `a\`: `a\`, "a\x00b\rc\x7f\td": "abc\td", "a\xffb": "a\uFFFDb", "": "",
	} {
		if got := Text([]byte(in)); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
	if d := cmp.Diff([]string{"a", "b,c", "d e"}, Texts([]byte(`a,b\,c,, d e ,\`))[:3]); d != "" {
		t.Error(d)
	}
}

// plainHead is a line that golang-ical and RFC 5545 3.1 read alike.
var plainHead = regexp.MustCompile(`^[A-Za-z0-9-]+(;[A-Za-z0-9-]+=("[^"\\^]*"|[^";:,\\^]*)(,("[^"\\^]*"|[^";:,\\^]*))*)*:`)

// sameAsLibrary compares our reading of a line with golang-ical's.
func sameAsLibrary(t *testing.T, raw string) {
	t.Helper()
	if !plainHead.MatchString(raw) || strings.ContainsFunc(raw, func(r rune) bool { return r < ' ' }) || hasDates([]byte(raw)) && strings.Count(raw, ":") > 1 {
		return
	}
	want, err := ics.ParseProperty(ics.ContentLine(raw))
	if err != nil || want == nil {
		return
	}
	var p Prop
	if err := p.Split([]byte(raw)); err != nil {
		if len(raw) < MaxLine && strings.Count(raw, ";") < MaxParams {
			t.Fatalf("%q: golang-ical reads it, we do not: %v", raw, err)
		}
		return
	}
	if string(p.Name) != want.IANAToken {
		t.Fatalf("%q: name %q, golang-ical %q", raw, p.Name, want.IANAToken)
	}
	for k, v := range want.ICalParameters {
		if len(v) == 1 && strings.Count(strings.ToUpper(raw), ";"+strings.ToUpper(k)+"=") == 1 && string(p.Param(strings.ToUpper(k))) != strings.Trim(v[0], " \t") &&
			string(p.Param(strings.ToUpper(k))) != v[0] {
			t.Fatalf("%q: %s is %q, golang-ical %q", raw, k, p.Param(strings.ToUpper(k)), v[0])
		}
	}
	if text := Text(p.Value); utf8.ValidString(raw) && want.GetValueType() == ics.ValueDataTypeText && !strings.ContainsAny(raw, "\\\x7f") && text != want.Value {
		t.Fatalf("%q: value %q, golang-ical %q", raw, text, want.Value)
	}
}

// Source: golang-ical v0.3.4, on every line of the shared calendars.
func TestSplitAgreesWithLibrary(t *testing.T) {
	names, _ := filepath.Glob(filepath.Join("..", "..", "..", "shared", "ical", "cases", "*.ics"))
	if len(names) == 0 {
		if os.Getenv("SPILLWAY_CI") != "" {
			t.Fatal("the shared calendars have to be there in CI")
		}
		t.Skip("the shared calendars are not there")
	}
	n := 0
	for _, name := range names {
		b, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, raw := range Lines(b, 1) {
			sameAsLibrary(t, string(Unfold(raw)))
			n++
		}
	}
	if n < 5000 {
		t.Errorf("only %d lines", n)
	}
}

func FuzzSplit(f *testing.F) {
	f.Add("DTSTART;TZID=America/New_York:19980119T020000")
	f.Add(`ATTENDEE;CN="a;b:c,d";X=y,"z":mailto:jane@calendar.example`)
	f.Fuzz(func(t *testing.T, raw string) {
		sameAsLibrary(t, raw)
		var p Prop
		if err := p.Split([]byte(raw)); err == nil {
			Texts(p.Value)
		}
	})
}

// checker checks what Walk promises of every component.
type checker struct {
	t      *testing.T
	body   []byte
	events int
	opened int
}

func (c *checker) Calendar(int)         { c.opened++ }
func (c *checker) Property([]byte, int) {}
func (c *checker) Fault(int, string)    {}

func (c *checker) Zone(text []byte, line int) { c.lines(text, line) }

func (c *checker) Event(e *Event) {
	c.events++
	if e.Calendar != c.opened-1 {
		c.t.Fatalf("event in calendar %d of %d", e.Calendar, c.opened)
	}
	c.lines(e.Text, e.Line)
}

// lines checks that a component's first line has the number it is said to have.
func (c *checker) lines(text []byte, line int) {
	at := bytes.Index(c.body, text)
	if at < 0 || len(text) == 0 {
		c.t.Fatalf("%q is no part of the body", text)
	}
	if _, begins, _ := Boundary(Unfold(firstLine(text))); !begins {
		c.t.Fatalf("%q does not begin with BEGIN", text)
	}
	if n := bytes.Count(c.body[:at], []byte("\n")) + 1; n > line {
		c.t.Fatalf("%q is said to begin in line %d, and is first found in line %d", text, line, n)
	}
}

func firstLine(text []byte) []byte {
	for _, raw := range Lines(text, 1) {
		return raw
	}
	return nil
}

func FuzzWalk(f *testing.F) {
	f.Add([]byte("BEGIN:VCALENDAR\r\nBEGIN:VEVENT\r\nUI\r\n D:1\r\nBEGIN:VALARM\r\nEND:VEVENT\r\nBEGIN:VTIMEZONE\r\nEND:VTIMEZONE\r\nEND:VCALENDAR\r\n"))
	f.Fuzz(func(t *testing.T, body []byte) {
		c := checker{t: t, body: body}
		shape := Walk(body, &c)
		if shape.Events-shape.Unread != c.events || shape.Calendars != c.opened {
			t.Fatalf("%+v, but %d events in %d calendars", shape, c.events, c.opened)
		}
	})
}
