package meter

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// samples makes samples of "15:04:05 value" lines on 2026-06-01, UTC.
func samples(t *testing.T, lines string) []Sample {
	t.Helper()
	var out []Sample
	for line := range strings.Lines(lines) {
		clock, value, _ := strings.Cut(strings.TrimSpace(line), " ")
		when, err := time.Parse(time.RFC3339, "2026-06-01T"+clock+"Z")
		if err != nil {
			t.Fatal(err)
		}
		d, err := parseNumber(value, '.')
		if err != nil {
			t.Fatal(err)
		}
		f, _ := d.Float64()
		out = append(out, Sample{when, f})
	}
	return out
}

// Worked by hand. A register: what it has at both ends, on the straight line between the samples beside an end. A power:
// the trapezoids between samples.
func TestRecorded(t *testing.T) {
	for _, c := range []struct {
		name, unit, samples string
		net                 bool
		want                string // readings, then holes
	}{
		{"register at the very ends", "kWh", "10:00:00 100\n10:15:00 100.25\n10:30:00 100.75\n11:00:00 101", false,
			"10:00 0.75\n10:30 0.25\n"},
		{"register between samples", "kWh", "09:59:00 100\n10:01:00 100.2\n10:29:00 101\n10:31:00 101.4", false,
			"10:00 1.1\n"}, // 100.1 at 10:00, 101.2 at 10:30
		{"a register of which nothing is known at the half hour", "Wh", "10:00:00 5000\n11:00:00 5600", false,
			"10:00 nothing was recorded\n10:30 nothing was recorded\n"},
		{"nor does a gap that ends at an end", "Wh", "10:00:00 5000\n10:30:00 5400\n11:00:00 5600", false,
			"10:00 0.4\n10:30 0.2\n"},
		{"an end too far from its samples", "kWh", "09:58:00 100\n10:00:00 100.1\n10:26:00 101\n10:34:00 101.2\n11:00:00 102\n11:30:00 103", false,
			"11:00 1\n10:00 nothing was recorded\n10:30 nothing was recorded\n"},
		{"a register that goes back", "kWh", "10:00:00 100\n10:10:00 100.5\n10:12:00 0\n10:30:00 0.25\n11:00:00 0.5", false,
			"10:30 0.25\n10:00 the register went back\n"},
		{"back at the very end spoils the one before", "kWh", "10:00:00 100\n10:30:00 0\n11:00:00 0.5", false,
			"10:30 0.5\n10:00 the register went back\n"},
		{"a register that nets", "kWh", "10:00:00 100\n10:30:00 99.5\n11:00:00 100", true,
			"10:00 -0.5\n10:30 0.5\n"},
		{"power, steady", "kW", held(t, "10:00:00", "11:00:00", "2"), false, "10:00 1\n10:30 1\n"},
		{"power, a ramp of 0 to 3600 W in an hour", "W", ramp(), false, "10:00 0.45\n10:30 1.35\n"},
		{"power, begun late", "W", "10:01:00 1000\n10:05:00 1000\n10:10:00 1000\n" + held(t, "10:10:00", "11:00:00", "1000"), false,
			"10:30 0.5\n"},
		{"power, a gap", "W", held(t, "10:00:00", "10:40:00", "1000") + held(t, "10:46:00", "11:30:00", "1000"), false,
			"10:00 0.5\n11:00 0.5\n10:30 nothing was recorded\n"},
		{"power, a gap up to an end", "W", held(t, "10:00:00", "10:24:00", "1000") + held(t, "10:30:00", "11:00:00", "1000"), false,
			"10:30 0.5\n10:00 nothing was recorded\n"},
		{"power below zero counts as none", "W", held(t, "10:00:00", "10:30:00", "-400"), false, "10:00 0\n"},
		{"or nets", "W", held(t, "10:00:00", "10:30:00", "-400"), true, "10:00 -0.2\n"},
		{"one sample", "W", "10:00:00 1", false, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, _, err := Recorded("x", samples(t, c.samples), c.unit, 30*time.Minute, c.net)
			if err != nil {
				t.Fatal(err)
			}
			var got strings.Builder
			for _, r := range s.Readings() {
				got.WriteString(stamp(r.From)[11:16] + " " + strings.TrimSuffix(r.Energy.String(), " kWh") + "\n")
			}
			for _, h := range s.Holes() {
				got.WriteString(stamp(h.From)[11:16] + " " + h.Why + "\n")
			}
			if d := cmp.Diff(c.want, got.String()); d != "" {
				t.Error(d)
			}
		})
	}
}

// held makes a sample of the value each five minutes, both ends included.
func held(t *testing.T, from, to, value string) string {
	t.Helper()
	var b strings.Builder
	a, _ := time.Parse(time.TimeOnly, from)
	z, err := time.Parse(time.TimeOnly, to)
	if err != nil {
		t.Fatal(err)
	}
	for ; a.Before(z); a = a.Add(5 * time.Minute) {
		b.WriteString(a.Format(time.TimeOnly) + " " + value + "\n")
	}
	b.WriteString(to + " " + value + "\n")
	return b.String()
}

func ramp() string {
	var b strings.Builder
	for m := range 61 {
		fmt.Fprintf(&b, "%s %d\n", time.Date(2026, 1, 1, 10, m, 0, 0, time.UTC).Format(time.TimeOnly), m*60)
	}
	return b.String()
}

// The intervals add up to what the register counted, however the samples lie, to the microjoule.
func TestRecordedAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := time.Date(2026, 3, 29, 0, 0, 0, 0, time.UTC)
		var list []Sample
		value := float64(rapid.IntRange(0, 90_000).Draw(t, "register"))
		for range rapid.IntRange(2, 200).Draw(t, "samples") {
			list = append(list, Sample{at, value})
			at = at.Add(time.Duration(rapid.IntRange(1, 300_000).Draw(t, "ms")) * time.Millisecond)
			value += float64(rapid.IntRange(0, 500).Draw(t, "Wh"))
		}
		s, _, err := Recorded("x", list, "Wh", 15*time.Minute, false)
		if err != nil {
			t.Fatal(err)
		}
		if len(s.Holes()) > 0 {
			t.Fatalf("samples are never more than five minutes apart, and there are holes: %v", s.Holes())
		}
		n := s.Len()
		if n == 0 {
			return
		}
		// The whole as one interval: the register at the first start and at the last end, worked out anew.
		r := recording{unit: unit{"Wh", 3_600_000_000, false}, length: 900}
		r.take(list)
		from, to := s.Readings()[0].From, s.Readings()[n-1].To
		first, ok1 := r.totalAt(r.seek(0, from*1e6), from*1e6)
		last, ok2 := r.totalAt(r.seek(0, to*1e6), to*1e6)
		if sum := s.Sum().Int64(); !ok1 || !ok2 || sum != int64(last-first) {
			t.Fatalf("the intervals add up to %d, the register counted %d", sum, last-first)
		}
	})
}

func TestRecordedRefuses(t *testing.T) {
	for _, c := range []struct {
		name, unit string
		interval   time.Duration
		want       string
	}{
		{"unit", "°C", 30 * time.Minute, `x: "°C" is no unit of a meter: kWh, Wh or W`},
		{"interval", "W", 7 * time.Minute, "x: intervals of 7m0s do not divide the hour into whole minutes"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if _, _, err := Recorded("x", nil, c.unit, c.interval, false); err == nil || err.Error() != c.want {
				t.Errorf("got %v, want %s", err, c.want)
			}
		})
	}
}

func BenchmarkRecordedYear(b *testing.B) {
	begin := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	list := make([]Sample, 0, 366*1440)
	for m := range 365 * 1440 {
		list = append(list, Sample{begin.Add(time.Duration(m)*time.Minute + 200*time.Millisecond), 10000 + float64(m)*0.005})
	}
	for b.Loop() {
		if s, _, err := Recorded("x", list, "kWh", 30*time.Minute, false); err != nil || s.Len() < 17_000 {
			b.Fatal(err)
		}
	}
}
