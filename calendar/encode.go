package calendar

import (
	"bytes"
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	ics "github.com/arran4/golang-ical"
)

// utcStamp is the form of a UTC DATE-TIME (RFC 5545 3.3.5, form 2).
const utcStamp = "20060102T150405Z"

// Encode writes p as one VCALENDAR: CRLF line ends, lines folded at 75 octets between characters (RFC 5545 3.1), every
// time in UTC, so that no VTIMEZONE is needed. The same Publication gives the same bytes.
//
// Texts are written as [CleanText] leaves them. Entries stand in the order of p. Times are cut to the second. An entry
// without UID or Stamp, or that ends before it starts, is an error: readers may drop such a calendar whole.
func Encode(p Publication) ([]byte, error) {
	cal := &ics.Calendar{}
	cal.SetVersion("2.0")
	cal.SetProductId(cleanLine(p.ProdID))
	if p.Name != "" {
		cal.SetName(cleanLine(p.Name))
	}
	if p.Text != "" {
		cal.SetDescription(CleanText(p.Text))
	}
	if p.Refresh > 0 {
		// RFC 7986 5.7; X-PUBLISHED-TTL is what older readers look for.
		cal.SetRefreshInterval(formatDuration(p.Refresh)) // the library adds VALUE=DURATION
		cal.SetXPublishedTTL(formatDuration(p.Refresh))
	}
	for i := range p.Entries {
		e, err := encodeEntry(&p.Entries[i])
		if err != nil {
			return nil, fmt.Errorf("encode entry %d: %w", i+1, err)
		}
		cal.AddVEvent(e)
	}
	var b bytes.Buffer
	// The library's line end on Unix is a bare LF; RFC 5545 3.1 asks for CRLF.
	if err := cal.SerializeTo(&b, ics.WithNewLine("\r\n"), ics.WithLineLength(75)); err != nil {
		return nil, fmt.Errorf("encode calendar: %w", err)
	}
	return b.Bytes(), nil
}

func encodeEntry(e *Entry) (*ics.VEvent, error) {
	uid := cleanLine(e.UID)
	start, end := e.Start.UTC().Truncate(time.Second), e.End.UTC().Truncate(time.Second)
	switch {
	case uid == "":
		return nil, fmt.Errorf("%q has no UID", e.Summary)
	case e.Stamp.IsZero():
		return nil, fmt.Errorf("%s has no stamp (DTSTAMP)", uid)
	case end.Before(start):
		return nil, fmt.Errorf("%s ends (%s) before it starts (%s)", uid, end.Format(utcStamp), start.Format(utcStamp))
	}
	for _, t := range []time.Time{start, end, e.Stamp.UTC(), e.LastModified.UTC()} {
		if !t.IsZero() && (t.Year() < 1 || t.Year() > 9999) {
			return nil, fmt.Errorf("%s: year %d cannot be written in iCalendar", uid, t.Year())
		}
	}
	v := ics.NewEvent(uid)
	v.SetProperty(ics.ComponentPropertyDtstamp, e.Stamp.UTC().Format(utcStamp))
	layout, value := utcStamp, []ics.PropertyParameter(nil)
	if e.AllDay {
		layout, value = "20060102", []ics.PropertyParameter{ics.WithValue(string(ics.ValueDataTypeDate))}
	}
	v.SetProperty(ics.ComponentPropertyDtStart, start.Format(layout), value...)
	if end.After(start) { // RFC 5545 3.8.2.2: DTEND is later than DTSTART; without it, a DATE-TIME event has zero length
		v.SetProperty(ics.ComponentPropertyDtEnd, end.Format(layout), value...)
	}
	v.SetSummary(CleanText(e.Summary))
	encodeOptional(v, e)
	for _, a := range e.Alarms {
		al := v.AddAlarm()
		al.SetAction(ics.ActionDisplay)
		al.SetProperty(ics.ComponentPropertyDescription, CleanText(a.Text))
		al.SetTrigger(formatDuration(-a.Before))
	}
	return v, nil
}

func encodeOptional(v *ics.VEvent, e *Entry) {
	if e.Description != "" {
		v.SetDescription(CleanText(e.Description))
	}
	for _, c := range e.Categories {
		v.AddCategory(CleanText(c)) // one property each: the library would escape the comma of a list
	}
	v.SetStatus(ics.ObjectStatusConfirmed)
	if e.Cancelled {
		v.SetStatus(ics.ObjectStatusCancelled)
	}
	v.SetSequence(e.Sequence)
	if !e.LastModified.IsZero() {
		v.SetProperty(ics.ComponentPropertyLastModified, e.LastModified.UTC().Format(utcStamp))
	}
	if e.Color != "" {
		v.SetColor(cleanLine(e.Color))
	}
	if e.URL != "" {
		v.SetURL(cleanURI(e.URL))
	}
	for _, r := range e.Related {
		v.AddProperty(ics.ComponentProperty(ics.PropertyRelatedTo), cleanLine(r.UID), relType(r.Type)...)
	}
	v.SetTimeTransparency(ics.TransparencyOpaque)
	if e.Transparent {
		v.SetTimeTransparency(ics.TransparencyTransparent)
	}
}

// relType gives the RELTYPE parameter; PARENT, the default, and what is no iana-token are left out (RFC 5545 3.2.15).
func relType(t string) []ics.PropertyParameter {
	for _, r := range t {
		if r != '-' && (r < '0' || r > '9') && (r < 'A' || r > 'Z') && (r < 'a' || r > 'z') {
			return nil
		}
	}
	if t == "" || t == "PARENT" {
		return nil
	}
	return []ics.PropertyParameter{&ics.KeyValues{Key: "RELTYPE", Value: []string{t}}}
}

// CleanText gives s as TEXT can carry it: invalid UTF-8 replaced, CRLF and the Unicode line separators turned into LF,
// every other control character but the tab left out. A bare CR in a text would go out raw, and a reader that takes it
// for a line end would see a line of the text's own choosing.
func CleanText(s string) string {
	if isClean(s) {
		return s
	}
	s = strings.ReplaceAll(strings.ToValidUTF8(s, string(utf8.RuneError)), "\r\n", "\n")
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t':
			return r
		case r == '\u2028' || r == '\u2029':
			return '\n'
		case isControl(r) || r == '\uFEFF':
			return -1
		}
		return r
	}, s)
}

func isClean(s string) bool {
	for i := range len(s) {
		if s[i] < ' ' || s[i] > '~' {
			return false
		}
	}
	return true
}

// isControl reports whether r is a C0 or C1 control or DEL.
func isControl(r rune) bool { return r < ' ' || r >= 0x7f && r <= 0x9f }

// cleanLine is CleanText for what must be one line.
func cleanLine(s string) string {
	return strings.TrimSpace(strings.Join(strings.FieldsFunc(CleanText(s), func(r rune) bool { return r == '\n' || r == '\t' }), " "))
}

// cleanURI leaves out what a URI cannot hold and would break a line.
func cleanURI(s string) string {
	return strings.Map(func(r rune) rune {
		if r == ' ' || r == '\n' || r == '\t' {
			return -1
		}
		return r
	}, CleanText(s))
}

// formatDuration writes d as a DURATION (RFC 5545 3.3.6) in hours and less, which are exact.
func formatDuration(d time.Duration) string {
	var b strings.Builder
	if d < 0 {
		b.WriteByte('-')
		d = -d
	}
	b.WriteString("PT")
	s := int64(d / time.Second)
	for _, u := range []struct {
		n    int64
		name byte
	}{{s / 3600, 'H'}, {s / 60 % 60, 'M'}, {s % 60, 'S'}} {
		if u.n > 0 {
			b.WriteString(strconv.FormatInt(u.n, 10))
			b.WriteByte(u.name)
		}
	}
	if s == 0 {
		return "PT0S"
	}
	return b.String()
}
