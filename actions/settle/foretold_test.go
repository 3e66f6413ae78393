package settle

import (
	"testing"
	"time"
)

func TestOutlookInWords(t *testing.T) {
	likely := &Range{Low: rat("3.8"), High: rat("4")}
	for _, c := range []struct {
		o    Outlook
		want string
	}{
		{Outlook{Baseline: rat("1.2"), Gain: rat("4"), Likely: likely, Credit: rat("0.985"), Currency: "GBP", Days: make([]Date, 10)},
			"baseline 1.200 kWh (of 10 like days), expected gain 4.000 kWh (likely 3.80 to 4.00), worth 0.98 GBP"},
		{Outlook{Baseline: rat("1.2"), Gain: rat("0")}, "baseline 1.200 kWh, expected gain 0.000 kWh"},
		{Outlook{Gain: rat("4"), Problems: []string{"too few like days: 1 found", "no rate"}}, "no baseline yet: too few like days: 1 found; no rate"},
		{Outlook{Gain: rat("4")}, "no baseline yet: the meter data does not tell"},
	} {
		if got := c.o.Words(); got != c.want {
			t.Errorf("got  %q\nwant %q", got, c.want)
		}
	}
}

func TestInfluenceInWords(t *testing.T) {
	from := utcTime(t, "2026-06-18T08:00:00Z")
	for _, c := range []struct {
		energy, baseline, credit, want string
	}{
		{"-2", "-2/3", "0.163", "the lead-in takes 2.000 kWh off the use from 09:00 to 12:00, which the adjustment compares: it lowers the baseline by 0.667 kWh and raises the credit by 0.16 GBP"},
		{"1", "1/3", "-0.08", "the lead-in adds 1.000 kWh to the use from 09:00 to 12:00, which the adjustment compares: it raises the baseline by 0.333 kWh and lowers the credit by 0.08 GBP"},
		{"1", "1/3", "", "the lead-in adds 1.000 kWh to the use from 09:00 to 12:00, which the adjustment compares: it raises the baseline by 0.333 kWh"},
		{"-1", "0", "0", "the lead-in takes 1.000 kWh off the use from 09:00 to 12:00, which the adjustment compares: the baseline stays"},
		{"-1", "", "", "the lead-in takes 1.000 kWh off the use from 09:00 to 12:00, which the adjustment compares: by how much that moves the baseline cannot be told"},
	} {
		i := Influence{From: from, To: from.Add(3 * time.Hour), Energy: rat(c.energy), Currency: "GBP"}
		if c.baseline != "" {
			i.Baseline = rat(c.baseline)
		}
		if c.credit != "" {
			i.Credit = rat(c.credit)
		}
		if got := i.Words(london(t)); got != c.want {
			t.Errorf("got  %q\nwant %q", got, c.want)
		}
	}
}
