package config

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// Where devices are weighed in money, one that has no weight must not count as a whole pound or euro per kWh.
func TestWorthOfDevicesThatHaveNone(t *testing.T) {
	const text = `timezone = "UTC"
links.barn.url = "exec:"
[devices.battery]
link = "barn"
kind = "battery"
%WORTH
[devices.van]
link = "barn"
kind = "vehicle"
%MORE
[devices.heater]
link = "barn"
kind = "load"
`
	for _, c := range []struct {
		worth, more string
		want        []float64 // battery, heater, van
		noted       bool
	}{
		{"", "", []float64{1, 1, 1}, false},
		{"worth = 3", "", []float64{3, 1, 1}, false},
		{`worth = "12 p/kWh"`, "", []float64{0.12, 0.12, 0.12}, true},
		{`worth = "12 p/kWh"`, `worth = "0.30 GBP/kWh"`, []float64{0.12, 0.12, 0.3}, true},
	} {
		file := filepath.Join(t.TempDir(), Name)
		body := []byte(strings.NewReplacer("%WORTH", c.worth, "%MORE", c.more).Replace(text))
		if err := os.WriteFile(file, body, 0o600); err != nil {
			t.Fatal(err)
		}
		got, err := Load(Options{File: file, Env: []string{}})
		if err != nil {
			t.Fatal(err)
		}
		var worth []float64
		for _, d := range got.Premises.Devices {
			worth = append(worth, d.Worth)
		}
		if !slices.Equal(worth, c.want) {
			t.Errorf("%q, %q: %v, want %v", c.worth, c.more, worth, c.want)
		}
		if noted := slices.ContainsFunc(got.Notices, func(n Notice) bool { return n.Key == "devices.heater.worth" }); noted != c.noted {
			t.Errorf("%q, %q: noted %v, want %v", c.worth, c.more, noted, c.noted)
		}
	}
}
