package ocpp

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"spillway/actions"
	"spillway/actions/link"
)

// A charger that takes limits in W only (OCPP 1.6, 9.4.2 ChargingScheduleAllowedChargingRateUnit = Power; 2.0.1 Part 2,
// SmartChargingCtrlr.RateUnit; clause numbers from memory) is given W and read in W: 16 A are 3,680 W at 230 V.
func TestLimitsInWatts(t *testing.T) {
	for version, dig := range map[string]func(map[string]any) map[string]any{
		"ocpp1.6": func(p map[string]any) map[string]any {
			return p["csChargingProfiles"].(map[string]any)["chargingSchedule"].(map[string]any)
		},
		"ocpp2.0.1": func(p map[string]any) map[string]any {
			return p["chargingProfile"].(map[string]any)["chargingSchedule"].([]any)[0].(map[string]any)
		},
	} {
		t.Run(version, func(t *testing.T) {
			b := started(t, version)
			b.watts.Store(true)
			current := point("current")
			current.Write.WPerA, current.Read.WPerA = 230, 230
			l := open(t, openAlone, b.Spec(), current)
			learned(t, l)
			n := b.count()
			if err := l.(link.Lender).Lend(t.Context(), current, actions.Number(16), link.Term{For: time.Hour, Until: time.Now().Add(time.Hour)}); err != nil {
				t.Fatal(err)
			}
			_, payloads := b.since(n)
			got := dig(payloads[0])
			want := map[string]any{"chargingRateUnit": "W", "chargingSchedulePeriod": []any{map[string]any{"startPeriod": 0.0, "limit": 3680.0}}}
			for _, key := range []string{"duration", "startSchedule", "id"} {
				delete(got, key)
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Error(d)
			}
			reads(t, l, current, actions.Number(16))
			unknown := point("current")
			if err := l.Write(t.Context(), unknown, actions.Number(10)); link.ClassOf(err) != link.Impossible {
				t.Errorf("a limit in W without a factor: %v", err)
			}
		})
	}
}

// What is in force is the last period that has begun at the start of the composite schedule. The first is the example of
// OCPP 1.6 edition 2, 3.13.7 (11 kW, 6 kW from 08:00 to 20:00); the second what its compliance case TC_072_CS stacks, with
// limits of the second level that are ours.
func TestInForce(t *testing.T) {
	for _, c := range []struct {
		name    string
		periods []period
		want    float64
		none    bool
	}{
		{"official example", []period{{0, 11000}, {28800, 6000}, {72000, 11000}}, 11000, false},
		{"two levels", []period{{0, 7}, {100, 9}, {150, 8}, {200, 10}}, 7, false},
		{"begun before", []period{{-300, 6}, {-60, 8}, {100, 10}}, 8, false},
		{"nothing yet", []period{{100, 10}}, 0, true},
		{"empty", nil, 0, true},
	} {
		if got, ok := inForce(c.periods); got != c.want || ok == c.none {
			t.Errorf("%s: %v, %t", c.name, got, ok)
		}
	}
}
