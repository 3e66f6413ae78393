package config

import (
	"testing"
	"time"

	"spillway/actions"
)

// The current of a charger has the range that its vehicle charges within, an end of its own by nature, and what 1 A is in W.
func TestChargersCurrent(t *testing.T) {
	const ground = "[supply]\nphases = 3\nvoltage = \"230 V\"\n[links.yard]\nurl = \"ocpp://127.0.0.1:8887/YARD\"\n[devices.van]\nlink = \"yard\"\nkind = \"vehicle\"\n"
	for _, c := range []struct {
		name, text string
		most, perA float64
		lasts      time.Duration
	}{
		{"by itself", "", 32, 690, 24 * time.Hour},
		{"of the vehicle", "phase = 2\ncurrent_range = [\"6 A\", \"16 A\"]\n", 16, 230, 24 * time.Hour},
		{"its own", "current_range = [\"6 A\", \"16 A\"]\n[devices.van.points.current]\nrange = [0, 20]\nwrite = { lasts = \"2h\" }\n", 20, 690, 2 * time.Hour},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := mustLoad(t, ground+c.text).Premises.Point(actions.Ref{Device: "van", Point: "current"})
			if !p.HasRange || p.Min != 0 || p.Max != c.most || p.Write.WPerA != c.perA || p.Read.WPerA != c.perA || p.Write.Lasts != c.lasts {
				t.Errorf("%+v, write %+v", p, p.Write)
			}
		})
	}
}
