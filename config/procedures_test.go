package config

import (
	"strings"
	"testing"
)

// Two statements of one phase on one point that overlap are a configuration error (DESIGN 4.1).
func TestOverlaps(t *testing.T) {
	const ground = `
[links.l]
url = "mqtt://127.0.0.1"
[devices.b]
link = "l"
kind = "load"
[devices.b.points.p]
write = "p/set"
read  = "p"
values = ["on", "off"]
[devices.b.points.n]
read = "n"
unit = "%"
[devices.b.points.m]
read = "m"
values = ["x", "y", "z"]
[procedures.q]
match = { title = "t" }
`
	tests := []struct {
		phase, one, other string
		overlap           bool
	}{
		{"during", "b.p = on", "b.p = off", true},
		{"during", "b.p = on for 5m", "b.p = off for 1m", true},
		{"during", "b.p = on if b.n < 50", "b.p = off if b.n >= 50", false},
		{"during", "b.p = on if b.n <= 50", "b.p = off if b.n >= 50", true},
		{"during", "b.p = on if b.n = 50", "b.p = off if b.n > 50", false},
		{"during", "b.p = on if b.n != 50", "b.p = off if b.n = 50", true}, // not worked out: != leaves no one stretch
		{"during", "b.p = on if b.m = x", "b.p = off if b.m = y", false},
		{"during", "b.p = on if b.m = x", "b.p = off if b.m != x", false},
		{"during", "b.p = on if b.m != x", "b.p = off if b.m != y", true},
		{"during", "b.p = on if b.m = x", "b.p = off if b.n < 50", true},
		{"during", "b.p = on if b.m = x", "b.p = off", true},
		{"lead_in", "b.p = on from -2h for 1h", "b.p = off from -1h", false},
		{"lead_in", "b.p = on from -2h for 1h", "b.p = off from -61m", true},
		{"lead_in", "b.p = on from -2h", "b.p = off from -1h", true},
		{"lead_in", "b.p = on from -2h for 1h", "b.p = off", false},
		{"lead_in", "b.p = on from -2h for 3h", "b.p = off", true},
		{"lead_in", "b.p = on", "b.p = off for 5m", true},
		{"restore", "b.p = on", "b.p = off", true},
	}
	for _, tt := range tests {
		for _, order := range [][2]string{{tt.one, tt.other}, {tt.other, tt.one}} {
			_, err := load(t, ground+tt.phase+" = [\""+order[0]+"\", \""+order[1]+"\"]\n")
			said := err != nil && strings.Contains(err.Error(), "is held at the same time by")
			if said != tt.overlap || err != nil && !said {
				t.Errorf("%s %q: %v", tt.phase, order, err)
			}
		}
	}
	// Different phases may hold one point: the lead-in's hold ends where during's begins.
	mustLoad(t, ground+"lead_in = [\"b.p = on\"]\nduring = [\"b.p = off\"]\n")
}

func TestSettlementTerms(t *testing.T) {
	const ground = "timezone = \"Europe/London\"\n[procedures.q]\nmatch = { title = \"t\" }\ndirection = \"turn-down\"\n"
	c := mustLoad(t, ground+`settlement = { days = 3, adjust_cap = "none", adjust = "scale", fixed = "400 Wh", rate = "20 p/kWh",
  rates = [{ from = "16:00", to = "19:30", rate = "0.4 GBP/kWh" }] }`)
	got := c.Premises.Procedures[0].Terms[0]
	if got.Fewest != 3 || got.AdjustCap >= 0 || got.Fixed != "0.4" || got.Rate != "0.20" || got.Currency != "GBP" || !got.Since.IsZero() {
		t.Errorf("terms: %+v", got)
	}
	if len(got.Rates) != 1 || got.Rates[0].To.Minutes() != 1170 || got.Rates[0].Rate != "0.4" {
		t.Errorf("rates: %+v", got.Rates)
	}
	c = mustLoad(t, ground+"[procedures.q.settlement]\nsame_day = { before = [\"4h\", \"1h\"] }\nrate = \"1 EUR/kWh\"\n")
	if d := c.Premises.Procedures[0].Terms[0].SameDay; d == nil || d.BeforeFrom.Hours() != 4 || d.BeforeTo.Hours() != 1 || d.AfterTo != 0 {
		t.Errorf("same day: %+v", d)
	}
	for text, want := range map[string]string{
		"[procedures.q.settlement]\nrates = [{ from = \"16:00\", to = \"17:00\", rate = \"1 EUR/kWh\" }]\nrate = \"1 GBP/kWh\"\n": "is not in GBP like the others",
		"[procedures.q.settlement]\nrates = [{ from = \"16:00\" }]\n":                                                             "is missing",
		"[procedures.q.settlement]\nsame_day = { before = [\"1h\", \"4h\"] }\n":                                                   "is no stretch",
		"[procedures.q.settlement]\nfixed = \"1 kWh\"\nfigures = \"f.csv\"\n":                                                     "more than one baseline",
		"[procedures.q.settlement]\nfixed = \"1 kW\"\n":                                                                           "is a power: write an energy",
		"[procedures.q.settlement]\nleave_out = \"outages\"\n":                                                                    "there is no feed outages",
	} {
		if _, err := load(t, ground+text); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}
