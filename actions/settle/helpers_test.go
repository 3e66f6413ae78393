package settle

import (
	"fmt"
	"math/big"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	_ "time/tzdata" // so that zones are the same on every machine

	"spillway/actions"
	"spillway/actions/meter"
)

func london(t testing.TB) *time.Location { return zoneOf(t, "Europe/London") }

func zoneOf(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

func utcTime(t testing.TB, s string) time.Time {
	t.Helper()
	x, err := time.Parse(time.RFC3339, s)
	if err != nil {
		t.Fatal(err)
	}
	return x.UTC()
}

// window returns a window whose id is its start.
func window(t testing.TB, start, end string) actions.Window {
	return actions.Window{ID: start, Title: "Free power", Start: utcTime(t, start), End: utcTime(t, end), Procedure: "surplus"}
}

// defaultTerms returns the terms of a procedure that names only a rate.
func defaultTerms() actions.Terms {
	const day = 24 * time.Hour
	return actions.Terms{
		Days: 10, DaysOff: 4, Keep: 10, Pick: "all", Like: "workday", LookBack: 60 * day, Fewest: 4,
		Adjust: "none", AdjustFrom: 4 * time.Hour, AdjustTo: time.Hour, AdjustCap: 0.2,
		Floor: "interval", CreditAfter: 7 * day,
	}
}

// terms returns the default terms with a rate, changed.
func terms(change func(*actions.Terms)) []actions.Terms {
	t := defaultTerms()
	t.Rate, t.Currency = "0.245", "GBP"
	if change != nil {
		change(&t)
	}
	return []actions.Terms{t}
}

// series makes readings of so many minutes over [from, to) whose energy in Wh is that of wh at their local start.
func series(t testing.TB, zone *time.Location, from, to string, minutes int, wh func(local time.Time) int64) *meter.Series {
	t.Helper()
	var readings []meter.Reading
	step := int64(minutes) * 60
	for at, end := utcTime(t, from).Unix(), utcTime(t, to).Unix(); at < end; at += step {
		if e := wh(time.Unix(at, 0).In(zone)); e >= 0 {
			readings = append(readings, meter.Reading{From: at, To: at + step, Energy: meter.Energy(e * 3_600_000_000)})
		}
	}
	s, _, err := meter.New("test", readings, nil)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// byDay is a use of so many Wh per interval that is that of the date: 100 on the 1st, 200 on the 2nd and so on.
func byDay(local time.Time) int64 { return int64(local.Day()) * 100 }

// household reads an open half-hourly series that stands beside the repository and is no part of it. Where it is absent the
// test is skipped, except in CI, which has it.
func household(t testing.TB) *meter.Series {
	t.Helper()
	path := filepath.Join("..", "..", "..", "shared", "data", "uk-household-halfhour-1.csv.gz")
	f, err := os.Open(path)
	if err != nil {
		if os.Getenv("SPILLWAY_CI") == "1" {
			t.Fatalf("open data is missing in CI: %v", err)
		}
		t.Skipf("open data not beside the repository (%s): skipped", path)
	}
	defer func() { _ = f.Close() }()
	s, _, err := meter.Read(f, "household", meter.Layout{})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// figures writes slots on one line each with six decimals, and the window's figures after them.
func figures(r Result) string {
	var b strings.Builder
	for _, s := range r.Slots {
		fmt.Fprintf(&b, "%s %s %s %s\n", s.Start.Format("15:04"), six(s.Metered), six(s.Baseline), six(s.Gain))
	}
	return b.String()
}

func six(r *big.Rat) string {
	if r == nil {
		return "null"
	}
	return halfEven(r, 6).StringFixed(6)
}

func dayList(r Result) string {
	var out []string
	for _, d := range r.Days {
		out = append(out, d.String()[5:])
	}
	return strings.Join(out, " ")
}
