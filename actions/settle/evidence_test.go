package settle

import (
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"spillway/actions"
)

// disputed is a case worked by hand: an interval holds 100 Wh times the day of its month. The window is the half hours of
// noon to one on Wednesday 17 June 2026 and the ten minutes after; like days are the 16th, the 15th and, since a weekend, a
// holiday and a day with a gap lie between, the 10th, of which the two highest are kept.
func disputed(t *testing.T) *Case {
	t.Helper()
	zone := london(t)
	hole := utcTime(t, "2026-06-11T03:00:00Z").Unix()
	data := series(t, zone, "2026-05-31T23:00:00Z", "2026-06-17T23:00:00Z", 30, func(l time.Time) int64 {
		if l.Unix() == hole {
			return -1
		}
		return byDay(l)
	})
	w := window(t, "2026-06-17T11:00:00Z", "2026-06-17T12:10:00Z")
	w.ID, w.Title = "abcdefghij", "Free  power"
	books := Books{Zone: zone, Meter: data, Windows: []actions.Window{w},
		Holidays: map[string]Dates{"feasts": {DateOf(utcTime(t, "2026-06-12T12:00:00Z"), zone): "Founders' day"}},
		Recorded: map[string]decimal.Decimal{"abcdefghij": decimal.RequireFromString("0.05")}}
	r := New(books).Window(w, actions.TurnUp, terms(func(x *actions.Terms) {
		x.Days, x.Keep, x.Pick, x.Fewest, x.Holidays = 3, 2, "highest", 1, "feasts"
		x.Adjust, x.AdjustFrom, x.AdjustTo = "add", 2*time.Hour, time.Hour
		x.Since = utcTime(t, "2026-01-01T00:00:00Z")
	}))
	step := actions.Step{ID: "s1", Window: w.ID, Phase: actions.PhaseDuring, At: w.Start, Point: actions.Ref{Device: "battery", Point: "mode"}, Value: actions.Named("=charge")}
	return &Case{
		Result: r, Zone: zone, Meter: data, Made: utcTime(t, "2026-06-30T08:00:00Z"),
		Event: Received{Source: Source{Name: "feeds.house", SHA256: "aa11", Read: utcTime(t, "2026-06-16T20:00:00Z")},
			Text: []byte("BEGIN:VEVENT\r\nUID:x\r\nEND:VEVENT\r\n"), FirstSeen: utcTime(t, "2026-06-16T18:05:00Z"), Hash: "bb22"},
		Sources: []Source{{Name: "june.csv", SHA256: "cc33"}},
		Log: []actions.StepStanding{{Step: step, State: actions.Confirmed, Tries: 1, Sent: w.Start.Add(time.Second), Settled: w.Start.Add(3 * time.Second),
			ReadBack: actions.Named("charge"), Note: "a note"}},
	}
}

// The baseline of a half hour is (1600 + 1500) / 2 = 1550 Wh. From ten to eleven the meter showed 3400 Wh where the like
// days used 3100: 150 more in each half hour. Metered 1700, 1700 and a third of 1700; no gain is left. By the 16th alone there is
// none either, by the 15th 50 + 50 + 16.67 Wh, so the range is a tenth and nine tenths of that.
func TestStatement(t *testing.T) {
	const want = `Settlement of "Free power", Wed 17 Jun 2026 12:00-13:10 BST
Window abcdefghij, procedure surplus (turn-up); written 2026-06-30T08:00:00Z
Times are those of Europe/London. Energies are exact in the sums and shown to a millionth of a kWh.

The event
  As received, byte for byte: event.ics, from feeds.house
  The copy it is from was fetched Tue 16 Jun 2026 21:00:00 BST
  SHA-256 of the whole copy: aa11
  First known Tue 16 Jun 2026 19:05:00 BST; hash of what was remembered of it: bb22

The terms
  - in force since 2026-01-01
  - the baseline is the mean of the 2 highest of the newest 3 (4 for a day off) days of the same kind (workdays, or days off) within 60 days, of which 1 must be found, with the holidays of feed feasts
  - the difference of the same day's use from 2 h to 1 h before the window is added
  - a gain below zero counts as zero in each interval
  - it is paid at 0.245 GBP/kWh
  - the credit is due 7 days after the window

The days looked at, newest first
  Tue 2026-06-16  averaged, 3.733333 kWh
  Mon 2026-06-15  averaged, 3.500000 kWh
  Sun 2026-06-14  not of the same kind: Sunday
  Sat 2026-06-13  not of the same kind: Saturday
  Fri 2026-06-12  not of the same kind: holiday, Founders' day
  Thu 2026-06-11  a gap in the data
  Wed 2026-06-10  a like day, but not of the 2 kept (highest), 2.333333 kWh

The adjustment by the same day's use
  From Wed 17 Jun 2026 10:00:00 BST to Wed 17 Jun 2026 11:00:00 BST the meter showed 3.400000 kWh; the like days used 3.100000 kWh
  Added to each whole interval: 0.150000 kWh

The sums
  Baseline: mean of the 2 highest of 3 workdays, +0.15 kWh added to each interval
  12:00-12:30    metered     1.700000 kWh  baseline     1.700000 kWh  gain     0.000000 kWh
  12:30-13:00    metered     1.700000 kWh  baseline     1.700000 kWh  gain     0.000000 kWh
  13:00-13:10    metered     0.566667 kWh  baseline     0.566667 kWh  gain     0.000000 kWh
  the window     metered     3.966667 kWh  baseline     3.966667 kWh  gain     0.000000 kWh
  Were each like day the baseline by itself, the gain would be 0.011667 kWh to 0.105000 kWh (the tenth to the ninetieth of a hundred)

The credit
  0.000000 kWh at 0.245 GBP/kWh, rounded half to even: 0.00 GBP
  Due by Wed 24 Jun 2026 13:10:00 BST
  Came: 0.05 GBP
  Difference: 0.05 GBP
  Standing: settled

What the figures were made from
  - june.csv, SHA-256 cc33

In this folder
  - settlement.json: the settlement, with every figure to twelve decimals
  - intervals.csv: the same by interval
  - days.csv: each day looked at, why it counts or not, and its use in each interval of the window
  - meter.csv: the meter's readings of all those days, gaps included
  - switching.csv: what was done for the window (1 line)
  - SHA256SUMS: the hash of each file
`
	for _, d := range disputed(t).Documents() {
		if d.Name == "statement.txt" {
			if diff := cmp.Diff(want, string(d.Text)); diff != "" {
				t.Error(diff)
			}
		}
	}
}

// Each file is hashed (FIPS 180-4), the tables have a header's columns in every row (RFC 4180), and a text out of a device
// or a calendar is no formula.
func TestDocuments(t *testing.T) {
	c := disputed(t)
	docs := map[string][]byte{}
	for _, d := range c.Documents() {
		docs[d.Name] = d.Text
	}
	sums := strings.Split(strings.TrimSpace(string(docs["SHA256SUMS"])), "\n")
	if len(sums) != len(docs)-1 || len(docs) != 8 {
		t.Errorf("%d hashes of %d files", len(sums), len(docs))
	}
	for _, line := range sums {
		hash, name, _ := strings.Cut(line, "  ")
		if sum := sha256.Sum256(docs[name]); hex.EncodeToString(sum[:]) != hash {
			t.Errorf("%s has another hash", name)
		}
	}
	rows := map[string]int{"days.csv": 1 + 7, "meter.csv": 1 + 8*48, "switching.csv": 2, "intervals.csv": 1 + 3 + 1}
	for name, want := range rows {
		got, err := csv.NewReader(strings.NewReader(string(docs[name]))).ReadAll()
		if err != nil || len(got) != want {
			t.Errorf("%s: %d rows, want %d (%v)", name, len(got), want, err)
		}
	}
	for name, want := range map[string]string{
		"days.csv":      "2026-06-15,Monday,yes,,3.5,1.5,1.5,0.5\r\n",
		"meter.csv":     "2026-06-11T03:00:00Z,2026-06-11T03:30:00Z,2026-06-11 04:00 BST,,,no reading\r\n",
		"switching.csv": "2026-06-17T11:00:00Z,2026-06-17T11:00:01Z,2026-06-17T11:00:03Z,during,battery.mode,'=charge,charge,confirmed,1,a note,s1\r\n",
		"event.ics":     "BEGIN:VEVENT\r\nUID:x\r\nEND:VEVENT\r\n",
	} {
		if !strings.Contains(string(docs[name]), want) {
			t.Errorf("%s lacks %q:\n%s", name, want, docs[name])
		}
	}
}

// Without an event, a log or terms there still is a statement that says so.
func TestStatementOfLittle(t *testing.T) {
	c := &Case{Result: New(Books{}).Window(window(t, "2026-06-17T11:00:00Z", "2026-06-17T12:00:00Z"), actions.TurnDown, nil), Zone: time.UTC, Meter: nil}
	c.Meter = New(Books{}).meter
	got := string(c.Documents()[0].Text)
	for _, want := range []string{"No calendar that was read holds it", "None apply on that day", "Unknown", "no terms apply on 2026-06-17"} {
		if !strings.Contains(got, want) {
			t.Errorf("it does not say %q:\n%s", want, got)
		}
	}
	c.Event.Name = "feeds.house"
	if got := string(c.Documents()[0].Text); !strings.Contains(got, "feeds.house no longer holds it") {
		t.Error(got)
	}
}
