package plan

import (
	"flag"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"spillway/actions"
)

var update = flag.Bool("update", false, "write the golden plans anew")

// TestGolden compares whole plans with testdata/*.plan, which people have read; -update writes them.
func TestGolden(t *testing.T) {
	surplus := proc{name: "surplus", rank: 10, direction: actions.TurnUp,
		leadIn: []string{"barn_battery.charge_power = 5000 W", "cylinder.boost = off from -2h"},
		during: []string{"barn_battery.mode = charge", "cylinder.boost = on for 25m", "van.current = 20 A if van.plugged = yes"}}
	night := proc{name: "night", rank: 1, direction: actions.TurnUp,
		during: []string{"ice_bank.run = on", "barn_battery.charge_power = 2500 W", "barn_battery.mode = charge"}}
	saver := proc{name: "saver", rank: 20, direction: actions.TurnDown,
		during:  []string{"ice_bank.run = off", "van.current = 0 A", "barn_battery.mode = own_use"},
		restore: []string{"van.current = 10 A"}}
	for _, c := range []struct {
		name     string
		now      string
		windows  []actions.Window
		readings []string
	}{
		{"one window", "09:00", []actions.Window{win("a", "surplus", "13:00", "14:00")},
			[]string{"barn_battery.charge_level=40", "cylinder.temperature=45", "van.charge_level=30", "van.plugged=yes"}},
		{"nothing known", "09:00", []actions.Window{win("a", "surplus", "13:00", "14:00")}, nil},
		{"not plugged in", "09:00", []actions.Window{win("a", "surplus", "13:00", "14:00")}, []string{"van.plugged=no"}},
		{"late start", "13:10", []actions.Window{win("a", "surplus", "13:00", "14:00")}, []string{"van.plugged=yes"}},
		{"short notice", "12:59:20", []actions.Window{win("a", "surplus", "13:00", "14:00")}, []string{"van.plugged=yes"}},
		{"nested", "00:00", []actions.Window{win("n", "night", "01:00", "05:00"), win("s", "saver", "02:00", "03:00")},
			[]string{"barn_battery.mode=own_use"}},
		{"touching", "09:00", []actions.Window{win("a", "surplus", "13:00", "14:00"), win("n", "night", "14:00", "15:00")}, nil},
		{"overlapping", "09:00", []actions.Window{win("a", "surplus", "13:00", "14:00"), win("n", "night", "13:30", "15:00")}, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := procedures(smallholding(), surplus, night, saver)
			got := dump(Make(Input{Premises: p, Windows: c.windows, Now: at(c.now), Readings: readings(p, at(c.now), c.readings...), Standing: actions.NewStanding()}))
			compareGolden(t, filepath.Join("testdata", c.name+".plan"), got)
		})
	}
}

func compareGolden(t *testing.T, file, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("the plan differs from %s (-want +got):\n%s", file, d)
	}
}
