package statement

import (
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestQuantityIn(t *testing.T) {
	tests := []struct {
		text, unit string
		want       float64
	}{
		{"3.6 kW", "W", 3600},
		{"1.1kW", "W", 1100}, // 1.1*1000 in binary is not
		{"5000 W", "kW", 5},
		{"2 MW", "kW", 2000},
		{"80 A", "A", 80},
		{"500 mA", "A", 0.5},
		{"13.5 kWh", "Wh", 13500},
		{"210 L", "L", 210},
		{"210 l", "m³", 0.21},
		{"55 °C", "°C", 55},
		{"-3.5 degC", "°C", -3.5},
		{"10 K", "K", 10},
		{"10", "%", 10}, // percentages are bare
		{"10 %", "%", 10},
		{"10%", "%", 10},
		{"-0", "", 0},
		{"1400 rpm", "rpm", 1400},
		{"64MB", "B", 64e6},
		{"+5 V", "V", 5},
	}
	for _, tt := range tests {
		q, err := ParseQuantity(tt.text)
		if err != nil {
			t.Errorf("%s: %v", tt.text, err)
			continue
		}
		if got, err := q.In(tt.unit); err != nil || got != tt.want {
			t.Errorf("%s in %q = %v, %v; want %v", tt.text, tt.unit, got, err, tt.want)
		}
	}
}

func TestQuantityFaults(t *testing.T) {
	tests := []struct{ text, unit, want string }{
		{"5 A", "W", `"5 A" is a current: write a power, in W, kW, MW`},
		{"328 K", "°C", `"328 K" is a temperature difference: write a temperature, in °C`},
		{"5", "W", `5 needs its unit: write "5 W"`},
		{"5 W", "", `"5 W" has a unit where none belongs: write 5`},
		{"5 rpm", "Hz", `"5 rpm" is not in Hz`},
		{"5 W", "Hz", `"5 W" is not in Hz`},
		{"5 kva", "W", `"kva" is no unit: write kVA`},
		{"", "W", `"" is no quantity: write a number and its unit`},
		{"W", "W", `"W" is no quantity: write a number and its unit`},
		{"5 W extra", "W", `"W extra" is no unit`},
		{"131 °F", "°C", `"°F" is not known here: write °C`},
		{"10000000000000000 W", "W", `"10000000000000000" is too large`},
		{"--5 W", "W", `"--5" is no number`},
		{"NaN W", "W", `"NaN W" is no quantity: write a number and its unit`},
	}
	for _, tt := range tests {
		q, err := ParseQuantity(tt.text)
		if err == nil {
			_, err = q.In(tt.unit)
		}
		if err == nil || err.Error() != tt.want {
			t.Errorf("%s in %q: got %v\nwant %s", tt.text, tt.unit, err, tt.want)
		}
	}
}

func TestConversionThereAndBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := float64(rapid.Int64Range(-1e9, 1e9).Draw(t, "thousandths")) / 1000 // as many digits as a person writes
		a := rapid.SampledFrom([]string{"W", "kW", "MW"}).Draw(t, "from")
		b := rapid.SampledFrom([]string{"W", "kW", "MW"}).Draw(t, "to")
		there, err := Quantity{n, a}.In(b)
		if err != nil {
			t.Fatal(err)
		}
		back, err := Quantity{there, b}.In(a)
		if err != nil || back != n {
			t.Fatalf("%v %s is %v %s is %v %s, %v", n, a, there, b, back, a, err)
		}
	})
}

func TestParseDuration(t *testing.T) {
	tests := map[string]time.Duration{
		"90s": 90 * time.Second, "25m": 25 * time.Minute, "25 min": 25 * time.Minute, "2h": 2 * time.Hour,
		"1d": 24 * time.Hour, "1h30m": 90 * time.Minute, "1h 30m": 90 * time.Minute, "-2h": -2 * time.Hour,
		"0.7h": 42 * time.Minute, "1.5h": 90 * time.Minute, "0s": 0, "250ms": 250 * time.Millisecond, "2w": 14 * 24 * time.Hour,
		"14d": 14 * 24 * time.Hour, "1d2h3m4s5ms": 26*time.Hour + 3*time.Minute + 4*time.Second + 5*time.Millisecond,
	}
	for s, want := range tests {
		if got, err := ParseDuration(s); err != nil || got != want {
			t.Errorf("%s = %v, %v; want %v", s, got, err, want)
		}
	}
	for s, want := range map[string]string{
		"":            `"" is no duration: write for instance 90s, 25m, 2h, 1h30m or 1d`,
		"-":           `"-" is no duration: write for instance 90s, 25m, 2h, 1h30m or 1d`,
		"0":           `"0" needs its unit: write for instance "0s" or "0m"`,
		"15":          `"15" needs its unit: write for instance "15s" or "15m"`,
		"30m1h":       `"30m1h" is no duration: each unit once, the longer first`,
		"1h1h":        `"1h1h" is no duration: each unit once, the longer first`,
		"1m1min":      `"1m1min" is no duration: each unit once, the longer first`,
		"1h-30m":      `"1h-30m" is no duration: one sign at the front, - or none`,
		"5 years":     `"5 years" is no duration: "years" is no unit of time: w, d, h, m, s or ms`,
		"PT25M":       `"PT25M" is no duration: write for instance 90s, 25m, 2h, 1h30m or 1d`,
		"0.5ms":       `"0.5ms" is no duration: 0.5ms is no whole number of milliseconds`,
		"999999d":     `"999999d" is no duration: 999999d is too long`,
		"3660d23h59m": `"3660d23h59m" is too long: 3660d at most`,
	} {
		if _, err := ParseDuration(s); err == nil || err.Error() != want {
			t.Errorf("%s: got %v\nwant %s", s, err, want)
		}
	}
}

func FuzzParseDuration(f *testing.F) {
	f.Add("1h30m")
	f.Fuzz(func(t *testing.T, s string) {
		d, err := ParseDuration(s)
		if err != nil {
			return
		}
		if again, err := ParseDuration(FormatDuration(d)); err != nil || again != d {
			t.Fatalf("%q is %v, printed %s, read %v, %v", s, d, FormatDuration(d), again, err)
		}
	})
}

func TestParseRate(t *testing.T) {
	for s, want := range map[string]Rate{
		"0.245 GBP/kWh":  {"0.245", "GBP"},
		"0.245GBP / kWh": {"0.245", "GBP"},
		"24.5 p/kWh":     {"0.245", "GBP"},
		"3 p/kWh":        {"0.03", "GBP"},
		"123.4 p/kWh":    {"1.234", "GBP"},
		"31 JPY/kWh":     {"31", "JPY"},
	} {
		if got, err := ParseRate(s); err != nil || got != want {
			t.Errorf("%s = %v, %v; want %v", s, got, err, want)
		}
	}
	for s, want := range map[string]string{
		"0.245":         `"0.245" has no currency: write for instance "0.245 GBP/kWh"`,
		"0.245 /kWh":    `"0.245 /kWh" has no currency: write for instance "0.245 GBP/kWh"`,
		"0.245 kWh":     `"0.245 kWh" has no currency: write for instance "0.245 GBP/kWh"`,
		"0.245 GBP":     `"0.245 GBP" is no rate per kWh: write for instance "0.245 GBP/kWh"`,
		"0.245 GBP/MWh": `"0.245 GBP/MWh" is no rate per kWh: write for instance "0.245 GBP/kWh"`,
		"0.245 gbp/kWh": `"gbp" is no currency: write its three letters, for instance GBP`,
		"0.245 QQQ/kWh": `"QQQ" is no currency: write its three letters, for instance GBP`,
		"-1 GBP/kWh":    `"-1 GBP/kWh" is no rate: write for instance "0.245 GBP/kWh"`,
		"GBP/kWh":       `"GBP/kWh" is no rate: write for instance "0.245 GBP/kWh"`,
	} {
		if _, err := ParseRate(s); err == nil || err.Error() != want {
			t.Errorf("%s: got %v\nwant %s", s, err, want)
		}
	}
}
