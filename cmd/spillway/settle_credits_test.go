package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"spillway/actions"
	"spillway/actions/journal"
	"spillway/actions/publish"
	"spillway/actions/settle"
)

// Where a credit stands is a matter of the time, of what came, and of whether there is one at all.
func TestCredits(t *testing.T) {
	now := time.Date(2026, 6, 20, 12, 0, 0, 0, time.UTC)
	result := func(id string, due time.Duration, credit, came string) settle.Result {
		w := actions.Window{ID: id, Title: "Free power", Start: now.Add(due - 8*24*time.Hour), End: now.Add(due - 7*24*time.Hour)}
		r := settle.Result{Window: w, Currency: "GBP", ExpectedBy: now.Add(due), Method: "mean of 10 workdays"}
		for text, to := range map[string]**decimal.Decimal{"credit " + credit: &r.Credit, "came " + came: &r.Recorded} {
			if d, err := decimal.NewFromString(text[strings.Index(text, " ")+1:]); err == nil {
				*to = &d
			}
		}
		return r
	}
	day := 24 * time.Hour
	var got []string
	for _, c := range credits([]settle.Result{
		result("due", 2*day, "3.1", ""), result("missing", -day, "3.1", ""), result("early", 2*day, "3.1", "3.10"), result("short", -day, "3.1", "2"),
		result("long_ago", -8*day, "3.1", ""), result("nothing", day, "0", ""), result("unknown", day, "", ""), result("gift", day, "", "5"),
		result("owing", day, "-2", ""),
	}, now) {
		got = append(got, fmt.Sprintf("%s %s %s %s", c.Window, c.State, c.Amount, c.Came))
	}
	if d := cmp.Diff([]string{"due due 3.10 ", "missing missing 3.10 ", "early settled 3.10 3.10", "short short 3.10 2.00"}, got); d != "" {
		t.Error(d)
	}
	text := credits([]settle.Result{result("due", 2*day, "3.1", "")}, now)[0].Text
	const want = "Gain ?, metered ? against a baseline of ? (mean of 10 workdays).\nWhen it comes: spillway settle --paid due=AMOUNT"
	if text != want {
		t.Errorf("%q", text)
	}
}

// A running daemon publishes what should come for a window of three days ago, and turns it to settled when it came.
func TestDaemonPublishesCredits(t *testing.T) {
	d := startDaemon(t, "[procedures.surplus]\nmatch = { title = \"free\" }\ndirection = \"turn-up\"\n"+
		"[procedures.surplus.settlement]\nlike = \"every\"\nfewest = 1\nrate = \"0.20 GBP/kWh\"\n[meter]\nfiles = [\"meter.csv\"]\n")
	begin := time.Now().UTC().Truncate(24*time.Hour).AddDate(0, 0, -10)
	start := begin.AddDate(0, 0, 7).Add(12 * time.Hour)
	var b strings.Builder
	b.WriteString("start,kWh\n")
	for at := begin; at.Before(start.Add(24 * time.Hour)); at = at.Add(30 * time.Minute) {
		kwh := 0.5
		if !at.Before(start) && at.Before(start.Add(time.Hour)) {
			kwh = 8.25
		}
		fmt.Fprintf(&b, "%s,%g\n", at.Format(time.RFC3339), kwh)
	}
	if err := os.WriteFile(filepath.Join(filepath.Dir(d.cfg.File), "meter.csv"), []byte(b.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	w := journal.Window{ID: "abcdefghij", UID: "x", Procedure: "surplus", Title: "Free power", Start: start, End: start.Add(time.Hour), State: actions.Completed}
	if err := d.journal.SaveWindows(t.Context(), []journal.Window{w}); err != nil {
		t.Fatal(err)
	}
	published := func() string {
		t.Helper()
		d.settled.look()
		for _, s := range d.plan.Rendering("").Entries {
			if strings.HasPrefix(s.Entry.Summary, "Credit") {
				return s.Entry.Summary
			}
		}
		return ""
	}
	day := start.In(d.cfg.Premises.Zone).Format("Mon 2 January") // 2 x 7.75 kWh at 0.20 GBP
	if got, want := published(), "Credit due: 3.10 expected for "+day; got != want {
		t.Errorf("published %q, want %q", got, want)
	}
	if err := addCredits(t.Context(), d.journal, map[string]decimal.Decimal{"abcdefghij": decimal.RequireFromString("3.10")}); err != nil {
		t.Fatal(err)
	}
	if got, want := published(), "Credit settled: 3.10 came for "+day; got != want {
		t.Errorf("published %q, want %q", got, want)
	}
	if d.plan.Rendering(publish.Steps) == nil {
		t.Error("nothing in steps")
	}
}

// Meter data that is imported while the daemon runs goes through it, and nothing unreadable does.
func TestImportBesideDaemon(t *testing.T) {
	d := startDaemon(t, "file = \"plan.ics\"\n")
	a := &app{streams: streams{Out: &strings.Builder{}, Err: &strings.Builder{}}}
	file := filepath.Join(t.TempDir(), "june.csv")
	if err := os.WriteFile(file, []byte("start,kWh\n2026-06-01T00:00Z,0.5\n2026-06-01T00:30Z,0.25\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	l := a.ledger(d.cfg, d.journal, time.Now())
	if err := l.importMeter(t.Context(), []string{file}, false); err != nil {
		t.Fatal(err)
	}
	s, err := l.imported(t.Context())
	if err != nil || s.Len() != 2 {
		t.Errorf("%d readings (%v)", s.Len(), err)
	}
	if err := keepMeter(t.Context(), d.cfg.State, []byte("no meter data")); err == nil || !strings.Contains(err.Error(), "is no packed meter data") {
		t.Errorf("rubbish is taken: %v", err)
	}
	if s, err := l.imported(t.Context()); err != nil || s.Len() != 2 {
		t.Errorf("after rubbish: %d readings (%v)", s.Len(), err)
	}
}
