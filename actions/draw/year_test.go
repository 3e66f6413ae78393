package draw_test

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"spillway/actions/draw"
)

func yearOf2026() draw.Year {
	y := draw.Year{Year: 2026}
	for i, kwh := range []float64{12.4, 9.8, 14.1, 22.6, 31.5, 28.9} {
		m := time.Month(i + 1)
		credit := kwh * 0.245
		y.Months = append(y.Months, draw.YearMonth{Month: m, Procedure: "surplus", Windows: 3, KWh: kwh, Currency: "GBP", Credit: credit, Received: credit})
		if i < 3 {
			y.Months = append(y.Months, draw.YearMonth{Month: m, Procedure: "evening_peak", Windows: 2, KWh: 4.2, Currency: "GBP", Credit: 2.1, Received: 1.6})
		}
	}
	y.Months[len(y.Months)-1].Received = 0
	y.Months[len(y.Months)-2].Received = 5
	y.Months = append(y.Months, draw.YearMonth{Month: time.July, Procedure: "trial", Windows: 1, KWh: -2.5})
	return y
}

// The golden files are looked at in a browser when they change, in both schemes; -update writes them.
func TestYearSVG(t *testing.T) {
	for _, c := range []struct {
		name string
		year draw.Year
		opt  draw.YearOptions
	}{
		{"year-1100", yearOf2026(), draw.YearOptions{}},
		{"year-390", yearOf2026(), draw.YearOptions{Width: 390}},
		{"year-none", draw.Year{Year: 2027}, draw.YearOptions{Width: 700, NoStyle: true}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := draw.YearSVG(c.year, c.opt)
			path := filepath.Join("testdata", c.name+".svg")
			if flag.Lookup("update").Value.String() == "true" {
				if err := os.WriteFile(path, got, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(string(want), string(got)); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
			wellFormed(t, got)
		})
	}
}

func TestYearSays(t *testing.T) {
	got := string(draw.YearSVG(yearOf2026(), draw.YearOptions{}))
	for _, want := range []string{
		"25 windows, 129.4 kWh gained", "35.53 GBP expected, 24.23 received", "June, surplus: 3 windows, 28.9 kWh, 7.08 GBP expected, 0.00 received.",
		"Evening peak, 4.2 kWh", "July, trial: 1 window, -2.5 kWh.",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("the drawing does not say %q", want)
		}
	}
}

// Whatever the year, the drawing is well-formed and holds no NaN.
func TestAnyYear(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		y := draw.Year{Year: rapid.IntRange(1000, 2999).Draw(t, "year")}
		for range rapid.IntRange(0, 30).Draw(t, "months") {
			y.Months = append(y.Months, draw.YearMonth{
				Month: time.Month(rapid.IntRange(0, 13).Draw(t, "month")), Procedure: rapid.SampledFrom([]string{"a", "b_c", "</text>", ""}).Draw(t, "procedure"),
				Windows: rapid.IntRange(0, 40).Draw(t, "windows"), KWh: rapid.Float64Range(-1e4, 1e4).Draw(t, "kwh"),
				Currency: rapid.SampledFrom([]string{"", "GBP", "JPY"}).Draw(t, "currency"),
				Credit:   rapid.Float64Range(-1e4, 1e4).Draw(t, "credit"), Received: rapid.Float64Range(-1e4, 1e4).Draw(t, "received"),
			})
		}
		wellFormed(t, draw.YearSVG(y, draw.YearOptions{Width: rapid.SampledFrom([]int{0, 100, 390, 1100}).Draw(t, "width")}))
	})
}
