package calendar

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

// sharedDir is the set of public calendars with their occurrences that lies beside the repository.
const sharedDir = "../../shared/ical"

// differing says why we differ from both answers of a case on which the references disagree.
var differing = map[string]string{
	"pyical-issue_313_globally_unique_tzid": "/mozilla.org/20070129_1/America/New_York means America/New_York, by the suffix; no reference reads that one",
}

type sharedCase struct {
	ID       string
	ICS      string
	Expected string
	Strict   bool
	Why      string
	Basis    string
}

type sharedOccurrence struct {
	UID, Start, End, Summary string
}

func (o sharedOccurrence) key() string {
	return fmt.Sprintf("%s | %s | %s | %s", o.Start, o.End, o.UID, strings.TrimSpace(o.Summary))
}

type sharedExpected struct {
	Zone        string
	From, To    time.Time
	Occurrences []sharedOccurrence
	Alternative *[]sharedOccurrence
}

func readJSON(t *testing.T, path string, v any) {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, v); err != nil {
		t.Fatalf("%s: %v", path, err)
	}
}

// needShared skips the test where the shared folder is not there, which is right everywhere but in CI.
func needShared(t *testing.T, path string) {
	t.Helper()
	if _, err := os.Stat(path); err != nil {
		if os.Getenv("SPILLWAY_CI") != "" {
			t.Fatalf("%s has to be there in CI: %v", path, err)
		}
		t.Skipf("%s is not there: %v", path, err)
	}
}

// Source: the public suites named in the manifest; at least two families of reference programs agree on a strict case.
func TestSharedCalendars(t *testing.T) {
	needShared(t, filepath.Join(sharedDir, "manifest.json"))
	var m struct{ Cases []sharedCase }
	readJSON(t, filepath.Join(sharedDir, "manifest.json"), &m)
	if len(m.Cases) < 200 {
		t.Fatalf("only %d cases", len(m.Cases))
	}
	for _, c := range m.Cases {
		t.Run(c.ID, func(t *testing.T) {
			var e sharedExpected
			readJSON(t, filepath.Join(sharedDir, c.Expected), &e)
			body, err := os.ReadFile(filepath.Join(sharedDir, c.ICS))
			if err != nil {
				t.Fatal(err)
			}
			loc, err := time.LoadLocation(e.Zone)
			if err != nil {
				t.Fatal(err)
			}
			res, err := Read(body, Options{Zone: loc, From: e.From, To: e.To})
			if err != nil {
				t.Fatal(err)
			}
			timesOnly := strings.Contains(c.Basis, "compare times only")
			got := keys(convert(res.Occurrences), timesOnly)
			want := keys(e.Occurrences, timesOnly)
			same := slices.Equal(got, want)
			if !same && e.Alternative != nil {
				same = slices.Equal(got, keys(*e.Alternative, timesOnly))
			}
			reason := differing[c.ID]
			switch {
			case same && reason != "":
				t.Errorf("is listed as differing, but does not")
			case same:
			case reason != "" && !c.Strict:
			default:
				t.Errorf("strict %v (%s)\nproblems %v\n%s", c.Strict, c.Basis, res.Problems, diffKeys(want, got))
			}
		})
	}
}

func convert(in []Occurrence) []sharedOccurrence {
	var out []sharedOccurrence
	for _, o := range in {
		out = append(out, sharedOccurrence{o.UID, o.Start.Format(time.RFC3339), o.End.Format(time.RFC3339), o.Summary})
	}
	return out
}

// keys makes a set.
func keys(in []sharedOccurrence, timesOnly bool) []string {
	var out []string
	for _, o := range in {
		if timesOnly {
			o.UID, o.Summary = "", ""
		}
		out = append(out, o.key())
	}
	slices.Sort(out)
	return slices.Compact(out)
}

func diffKeys(want, got []string) string {
	var b strings.Builder
	n := 0
	for _, w := range want {
		if !slices.Contains(got, w) {
			if n++; n < 8 {
				fmt.Fprintf(&b, "- %s\n", w)
			}
		}
	}
	fmt.Fprintf(&b, "(%d missing)\n", n)
	n = 0
	for _, g := range got {
		if !slices.Contains(want, g) {
			if n++; n < 8 {
				fmt.Fprintf(&b, "+ %s\n", g)
			}
		}
	}
	fmt.Fprintf(&b, "(%d too many)\n", n)
	return b.String()
}
