package calendar

import (
	"os"
	"path/filepath"
	"testing"
	"time"
	"unicode/utf8"
)

// FuzzRead checks that no body makes Read panic, or give what its documentation rules out.
func FuzzRead(f *testing.F) {
	for _, c := range hostileSeeds() {
		f.Add([]byte(c))
	}
	if names, _ := filepath.Glob(filepath.Join(sharedDir, "cases", "*.ics")); len(names) > 0 {
		for i := 0; i < len(names); i += 5 {
			if b, err := os.ReadFile(names[i]); err == nil && len(b) < 4000 {
				f.Add(b)
			}
		}
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		o := benchOptions()
		res, err := Read(body, o)
		if err != nil {
			if len(res.Occurrences) > 0 || len(res.Problems) > 0 {
				t.Fatalf("an error and a result: %v %v", err, res)
			}
			return
		}
		for i, occ := range res.Occurrences {
			switch {
			case occ.End.Before(occ.Start):
				t.Fatalf("%v ends before it starts", occ)
			case !occ.Start.Before(o.To), occ.End.Before(o.From), !occ.End.After(o.From) && occ.Start.Before(o.From):
				t.Fatalf("%v is outside the range", occ)
			case occ.Status == "cancelled":
				t.Fatalf("%v is cancelled", occ)
			case i > 0 && occ.Start.Before(res.Occurrences[i-1].Start):
				t.Fatalf("%v is out of order", occ)
			case !utf8.ValidString(occ.UID + occ.Summary + occ.Description + occ.Organizer + occ.Status):
				t.Fatalf("%v is not UTF-8", occ)
			case occ.Line < 1 || occ.Rule == "":
				t.Fatalf("%v does not say where it is from", occ)
			}
		}
		for _, p := range res.Problems {
			if p.Where == "" || p.What == "" || !utf8.ValidString(p.Where+p.What) {
				t.Fatalf("problem %q", p)
			}
		}
		again, err := Read(body, o)
		if err != nil || len(again.Occurrences) != len(res.Occurrences) || len(again.Problems) != len(res.Problems) {
			t.Fatalf("a second reading differs: %v", err)
		}
	})
}

func hostileSeeds() []string {
	return []string{
		vcalendar(vevent("DTSTART;"+london+"20261025T003000", "DTEND;"+london+"20261025T043000", "RRULE:FREQ=DAILY;BYHOUR=0,1;UNTIL=20261101T000000Z", "EXDATE:20261026T003000Z"),
			vevent("RECURRENCE-ID;RANGE=THISANDFUTURE:20261025T233000Z", "DTSTART:20261026T010000Z", "DURATION:PT1H")),
		vcalendar("BEGIN:VTIMEZONE\r\nTZID:A\r\nBEGIN:DAYLIGHT\r\nDTSTART:20070311T020000\r\nRRULE:FREQ=YEARLY;BYMONTH=3;BYDAY=2SU\r\nTZOFFSETFROM:-0500\r\nTZOFFSETTO:-0400\r\nEND:DAYLIGHT\r\nEND:VTIMEZONE\r\n",
			vevent("DTSTART;TZID=A:20261021T003000", "RDATE;VALUE=PERIOD:20261022T003000Z/PT5H", "EXRULE:FREQ=HOURLY")),
		vcalendar(vevent("DTSTART;VALUE=DATE:20261021", "RRULE:FREQ=MONTHLY;BYDAY=MO,-1TU;BYMONTHDAY=1,2,3;BYSETPOS=-1")) + "BEGIN:VCALENDAR\nMETHOD:CANCEL\n" + vevent("SEQUENCE:1") + "END:VCALENDAR",
	}
}

// FuzzEncode checks that no text makes Encode write what is not well formed, or what Read does not give back.
func FuzzEncode(f *testing.F) {
	f.Add("Free power", "13:00 barn", "surplus", "http://127.0.0.1/")
	f.Add("x\r\nEND:VEVENT", "\x00\x07\u2028", ",;\\", "a b\r\nc")
	f.Fuzz(func(t *testing.T, summary, description, category, url string) {
		e := sampleEntry()
		e.Summary, e.Description, e.Categories, e.URL = summary, description, []string{category}, url
		b, err := Encode(Publication{ProdID: "-//Spillway//EN", Name: summary, Text: description, Entries: []Entry{e}})
		if err != nil {
			t.Fatal(err)
		}
		wellFormed(t, b, 1)
		res, err := Read(b, Options{From: e.Start, To: e.Start.Add(time.Second)})
		if err != nil || len(res.Occurrences) != 1 || len(res.Problems) > 0 {
			t.Fatalf("%v %v in %q", err, res, b)
		}
		if o := res.Occurrences[0]; o.Summary != CleanText(summary) || o.Description != CleanText(description) {
			t.Fatalf("%q %q in %q", o.Summary, o.Description, b)
		}
	})
}
