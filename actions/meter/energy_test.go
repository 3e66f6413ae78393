package meter

import (
	"testing"

	"github.com/shopspring/decimal"
)

// 1 Wh is 3600 J and 1 W over 1800 s is 1800 J, by definition of the units.
func TestUnits(t *testing.T) {
	for _, c := range []struct {
		value, unit string
		seconds     int64
		want        Energy
		rounded     bool
	}{
		{"1", "kWh", 1800, 3_600_000_000_000, false},
		{"0.11", "kWh", 1800, 396_000_000_000, false},
		{"0.00000000001", "kWh", 1800, 36, false},
		{"0.0000000000001", "kWh", 1800, 0, true},
		{"0.00000000000125", "kWh", 1800, 4, true},  // 4.5: half to even
		{"0.00000000000375", "kWh", 1800, 14, true}, // 13.5: half to even
		{"324", "Wh", 900, 1_166_400_000_000, false},
		{"1234.5", "W", 1800, 2_222_100_000_000, false},
		{"100", "W", 300, 30_000_000_000, false}, // a twelfth of a Wh to the W: no finite decimal of kWh
		{"2", "kW", 3600, 7_200_000_000_000, false},
		{"0.002", "MWh", 3600, 7_200_000_000_000, false},
		{"-0.5", "kwh", 1800, -1_800_000_000_000, false},
		{"1e-3", "kWh", 1800, 3_600_000_000, false},
	} {
		u, err := unitOf(c.unit)
		if err != nil {
			t.Fatal(err)
		}
		x, err := parseNumber(c.value, '.')
		if err != nil {
			t.Fatal(err)
		}
		got, rounded, err := u.energy(x, c.seconds)
		if err != nil || got != c.want || rounded != c.rounded {
			t.Errorf("%s %s over %d s: %d, %t, %v; want %d, %t", c.value, c.unit, c.seconds, got, rounded, err, c.want, c.rounded)
		}
	}
	kwh, _ := unitOf("kWh")
	if _, _, err := kwh.energy(decimal.New(2502, 0), 1800); err == nil {
		t.Error("2,502 kWh in half an hour were taken")
	}
	if _, err := unitOf("J"); err == nil {
		t.Error("J was taken for a unit of a meter")
	}
}

func TestParseNumber(t *testing.T) {
	for _, c := range []struct {
		in   string
		mark byte
		want string
	}{
		{"0.123", '.', "0.123"}, {"0,123", ',', "0.123"}, {"1.234,5", ',', "1234.5"}, {"1,234.5", '.', "1234.5"},
		{"1 234,5", ',', "1234.5"}, {"1'234.5", '.', "1234.5"}, {"1\u00a0234,5", ',', "1234.5"}, {"1\u202f234,5", ',', "1234.5"},
		{"-1.5", '.', "-1.5"}, {"+1.5", '.', "1.5"}, {".5", '.', "0.5"}, {"12E-2", '.', "0.12"}, {"0.30000000000000004", '.', "0.30000000000000004"},
	} {
		got, err := parseNumber(c.in, c.mark)
		if err != nil || got.String() != c.want {
			t.Errorf("%q with %q: %s, %v; want %s", c.in, c.mark, got, err, c.want)
		}
	}
	for _, in := range []string{"", "x", "1.2.3", "1,23", "0x10", "Inf", "NaN", "1e9999999", "1e999", "--1", "12,34.5", "1,234,56", "£1", "1 2",
		"11111111111111111111111111111111111111111111"} {
		if got, err := parseNumber(in, '.'); err == nil {
			t.Errorf("%q was taken for %s", in, got)
		}
	}
}

func TestEnergyString(t *testing.T) {
	if got := Energy(396_000_000_000).String(); got != "0.11 kWh" {
		t.Error(got)
	}
}
