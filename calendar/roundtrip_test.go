package calendar

import (
	"cmp"
	"slices"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// An entry written and read again is the same, whatever its texts.
func TestEncodeThenRead(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := Publication{ProdID: "-//Spillway//EN", Name: anyText().Draw(t, "name"), Refresh: time.Hour}
		base := time.Date(2026, 3, 29, 0, 0, 0, 0, time.UTC)
		for i := range rapid.IntRange(0, 5).Draw(t, "entries") {
			start := base.Add(time.Duration(rapid.IntRange(0, 100_000).Draw(t, "start")) * time.Second)
			p.Entries = append(p.Entries, Entry{
				UID: string(rune('a'+i)) + "@spillway", Start: start, End: start.Add(time.Duration(rapid.IntRange(0, 9000).Draw(t, "length")) * time.Second),
				Summary: anyText().Draw(t, "summary"), Description: anyText().Draw(t, "description"),
				Categories: rapid.SliceOfN(anyText(), 0, 3).Draw(t, "categories"), Sequence: rapid.IntRange(0, 1000).Draw(t, "sequence"),
				Stamp: base, LastModified: base, Cancelled: rapid.Bool().Draw(t, "cancelled"), Transparent: rapid.Bool().Draw(t, "transparent"),
				URL: anyText().Draw(t, "url"), Color: anyText().Draw(t, "color"), Related: []Related{{UID: anyText().Draw(t, "related"), Type: anyText().Draw(t, "type")}},
				Alarms: []Alarm{{Before: time.Duration(rapid.IntRange(-100, 100).Draw(t, "before")) * time.Minute, Text: anyText().Draw(t, "alarm")}},
			})
		}
		b, err := Encode(p)
		if err != nil {
			t.Fatal(err)
		}
		wellFormed(t, b, len(p.Entries))
		res, err := Read(b, Options{From: base, To: base.AddDate(0, 1, 0), Cancelled: true})
		if err != nil || len(res.Problems) > 0 {
			t.Fatalf("%v %v in %q", err, res.Problems, b)
		}
		if res.Name != cleanLine(p.Name) {
			t.Fatalf("name %q, want %q", res.Name, cleanLine(p.Name))
		}
		if d := gocmp.Diff(expected(p.Entries), shown(res.Occurrences)); d != "" {
			t.Fatalf("%s in %q", d, b)
		}
	})
}

// seen is what of an entry a reader gets back.
type seen struct {
	UID, Summary, Description, Status string
	Start, End, Stamp                 time.Time
	Categories                        []string
	Sequence                          int
}

func expected(entries []Entry) []seen {
	var out []seen
	for _, e := range entries {
		s := seen{e.UID, CleanText(e.Summary), CleanText(e.Description), "confirmed", e.Start, e.End, e.Stamp, nil, e.Sequence}
		if e.Cancelled {
			s.Status = "cancelled"
		}
		for _, c := range e.Categories {
			if c = strings.TrimSpace(CleanText(c)); c != "" {
				s.Categories = append(s.Categories, c)
			}
		}
		out = append(out, s)
	}
	slices.SortFunc(out, func(a, b seen) int { return cmp.Or(a.Start.Compare(b.Start), strings.Compare(a.UID, b.UID)) })
	return out
}

func shown(in []Occurrence) []seen {
	var out []seen
	for _, o := range in {
		out = append(out, seen{o.UID, o.Summary, o.Description, o.Status, o.Start, o.End, o.Stamp, o.Categories, o.Sequence})
	}
	return out
}
