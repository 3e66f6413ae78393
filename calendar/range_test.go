package calendar

import (
	"bufio"
	"encoding/json"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// What Read passes over, and what rules skip, must not matter: a short range holds what a long one holds of it.
func TestShortRangesAreCutsOfLongOnes(t *testing.T) {
	f, err := os.Open(filepath.Join("..", "testdata", "calendar", "calendars.jsonl"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	s := bufio.NewScanner(f)
	for s.Buffer(nil, 1<<20); s.Scan(); {
		var c struct {
			ICS string
			sharedExpected
		}
		if err := json.Unmarshal(s.Bytes(), &c); err != nil {
			t.Fatal(err)
		}
		checkRanges(t, "a calendar", []byte(c.ICS), c.sharedExpected)
	}
}

func TestShortRangesOfSharedCalendars(t *testing.T) {
	needShared(t, filepath.Join(sharedDir, "manifest.json"))
	var m struct{ Cases []sharedCase }
	readJSON(t, filepath.Join(sharedDir, "manifest.json"), &m)
	for _, c := range m.Cases {
		var e sharedExpected
		readJSON(t, filepath.Join(sharedDir, c.Expected), &e)
		body, err := os.ReadFile(filepath.Join(sharedDir, c.ICS))
		if err != nil {
			t.Fatal(err)
		}
		checkRanges(t, c.ID, body, e)
	}
}

func checkRanges(t *testing.T, name string, body []byte, e sharedExpected) {
	t.Helper()
	loc, err := time.LoadLocation(e.Zone)
	if err != nil {
		t.Fatal(err)
	}
	long, err := Read(body, Options{Zone: loc, From: e.From.AddDate(0, 0, -40), To: e.From.AddDate(0, 0, 100)})
	if err != nil {
		t.Fatal(err)
	}
	for from := e.From.AddDate(0, 0, -35); from.Before(e.From.AddDate(0, 0, 90)); from = from.AddDate(0, 0, 3).Add(5 * time.Hour) {
		to := from.AddDate(0, 0, 3)
		short, err := Read(body, Options{Zone: loc, From: from, To: to})
		if err != nil {
			t.Fatal(err)
		}
		var want []Occurrence
		for _, o := range long.Occurrences {
			if o.Start.Before(to) && (o.End.After(from) || o.End.Equal(o.Start) && !o.Start.Before(from)) {
				want = append(want, o)
			}
		}
		if d := cmp.Diff(want, short.Occurrences); d != "" {
			t.Fatalf("%s from %s: %s", name, from, d)
		}
	}
}
