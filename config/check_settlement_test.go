package config

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// check says which terms are in force, defaults included, and what a lead-in does to an adjustment.
func TestCheckSettlement(t *testing.T) {
	c := mustLoad(t, meterPremises+`
[meter]
point = "meter.import"
[procedures.evening]
match     = { title = "evening" }
direction = "turn-down"
during    = ["meter.relay = off"]
[procedures.evening.settlement]
rate = "0.245 GBP/kWh"
[procedures.surplus]
match     = { title = "free power" }
direction = "turn-up"
lead_in = ["meter.relay = off from -2h"]
[[procedures.surplus.settlement]]
rate = "0.20 GBP/kWh"
[[procedures.surplus.settlement]]
since  = 2026-07-01
days   = 5
adjust = "add"
rate   = "0.25 GBP/kWh"
`)
	const means = "the baseline is the mean of the newest 10 (4 for a day off) days of the same kind (workdays, or days off) within 60 days, of which 4 must be found; " +
		"it is not adjusted by the same day's use; a gain below zero counts as zero in each interval; "
	want := []string{
		"ok procedures.evening.settlement: " + means + "it is paid at 0.245 GBP/kWh; the credit is due 7 days after the window",
		"ok procedures.surplus.settlement: " + means + "it is paid at 0.20 GBP/kWh; the credit is due 7 days after the window",
		"ok procedures.surplus.settlement: from 2026-07-01 on, the baseline is the mean of the newest 5 (4 for a day off) days of the same kind (workdays, or days off) " +
			"within 60 days, of which 4 must be found; the difference of the same day's use from 4 h to 1 h before the window is added; " +
			"a gain below zero counts as zero in each interval; it is paid at 0.25 GBP/kWh; the credit is due 7 days after the window",
		"note procedures.surplus.settlement: the lead-in changes the use that the adjustment looks at, and so the credit; " +
			"raising or lowering use beforehand in order to move the baseline can breach the supplier's terms",
	}
	want = append(want, "ok meter.point: run reads meter.import each minute and records its mean power in intervals of 30m")
	var got []string
	for _, f := range c.Check() {
		if strings.Contains(f.Where, "settlement") || strings.HasPrefix(f.Where, "meter") {
			got = append(got, string(f.Level)+" "+f.Where+": "+f.What)
		}
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

// Where nothing says where meter data comes from, that is said once.
func TestCheckSettlementWithoutMeter(t *testing.T) {
	text := meterPremises
	for _, name := range []string{"a", "b"} {
		text += "[procedures." + name + "]\nmatch = { title = \"" + name + "\" }\ndirection = \"turn-up\"\nduring = [\"meter.relay = off\"]\n" +
			"[procedures." + name + ".settlement]\nrate = \"1 GBP/kWh\"\n"
	}
	n := 0
	for _, f := range mustLoad(t, text).Check() {
		if f.Where == "meter" && f.What == "there is no meter data to settle with" && f.Level == Note {
			n++
		}
	}
	if n != 1 {
		t.Errorf("it is said %d times", n)
	}
}

func TestCheckMeterPoint(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"a register", meterPremises + "[meter]\npoint = \"meter.register\"\ninterval = \"15m\"\n",
			"ok: run reads meter.register each minute and records its register in intervals of 15m"},
		{"not enabled", strings.Replace(meterPremises, "power = \"1 kW\"", "power = \"1 kW\"\nenabled = false", 1) + "[meter]\npoint = \"meter.register\"\n",
			"fault: meter.register is of a device that is not enabled, so nothing is recorded"},
	} {
		t.Run(c.name, func(t *testing.T) {
			for _, f := range mustLoad(t, c.text).Check() {
				if f.Where == "meter.point" {
					if got := string(f.Level) + ": " + f.What; got != c.want {
						t.Errorf("got  %q\nwant %q", got, c.want)
					}
					return
				}
			}
			t.Error("nothing is said")
		})
	}
}
