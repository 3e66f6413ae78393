package settle

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/shopspring/decimal"

	"spillway/actions"
	"spillway/actions/meter"
)

// byClock is a use of so many Wh per interval that tells local clock time and date: hour and minute, and the day of the
// month in the last two digits.
func byClock(l time.Time) int64 { return int64(l.Hour()*10000 + l.Minute()*100 + l.Day()) }

// Windows that do not fit the meter's intervals, cross midnight or a clock change. Each like day's figure tells which of
// its intervals was taken: one like day each, so that the baseline is that figure.
func TestSlots(t *testing.T) {
	zone := london(t)
	data := series(t, zone, "2026-03-01T00:00:00Z", "2026-11-10T00:00:00Z", 30, byClock)
	hourly := series(t, zone, "2026-03-01T00:00:00Z", "2026-11-10T00:00:00Z", 60, byClock)
	for _, c := range []struct {
		name, start, end string
		meter            *meter.Series
		like             string
		want             string
	}{
		{"whole intervals", "2026-06-17T12:00:00Z", "2026-06-17T13:00:00Z", data, "every",
			"12:00 130.017000 130.016000 0.001000\n12:30 133.017000 133.016000 0.001000\n"},
		{"begins and ends inside", "2026-06-17T12:10:00Z", "2026-06-17T12:45:00Z", data, "every",
			"12:10 86.678000 86.677333 0.000667\n12:30 66.508500 66.508000 0.000500\n"},
		{"inside one", "2026-06-17T12:40:00Z", "2026-06-17T12:50:00Z", data, "every", "12:40 44.339000 44.338667 0.000333\n"},
		{"half of an hour", "2026-06-17T12:00:00Z", "2026-06-17T12:30:00Z", hourly, "every", "12:00 65.008500 65.008000 0.000500\n"},
		{"over midnight: the like day's next date", "2026-06-17T22:30:00Z", "2026-06-17T23:30:00Z", data, "every",
			"22:30 233.017000 233.016000 0.001000\n23:00 0.018000 0.017000 0.001000\n"},
		{"over midnight on a Wednesday, a week before", "2026-06-17T22:30:00Z", "2026-06-17T23:30:00Z", data, "weekday",
			"22:30 233.017000 233.010000 0.007000\n23:00 0.018000 0.011000 0.007000\n"},
		// 2026-03-29, 00:30 to 03:00 local: 00:30 GMT, then 02:00 and 02:30 BST.
		{"spring", "2026-03-29T00:30:00Z", "2026-03-29T02:00:00Z", data, "every",
			"00:30 3.029000 3.028000 0.001000\n01:00 20.029000 20.028000 0.001000\n01:30 23.029000 23.028000 0.001000\n"},
		// 2026-10-25, 01:00 BST to 02:00 GMT: 01:00 and 01:30 twice.
		{"autumn", "2026-10-25T00:00:00Z", "2026-10-25T02:00:00Z", data, "every",
			"00:00 10.025000 10.024000 0.001000\n00:30 13.025000 13.024000 0.001000\n01:00 10.025000 10.024000 0.001000\n01:30 13.025000 13.024000 0.001000\n"},
		{"the day after spring", "2026-03-30T11:00:00Z", "2026-03-30T11:30:00Z", data, "every", "11:00 120.030000 120.028000 0.002000\n"},
		{"summer against winter", "2026-03-31T11:00:00Z", "2026-03-31T11:30:00Z", data, "weekday", "11:00 120.031000 120.024000 0.007000\n"},
		// The like day of 2026-11-01 by weekday is the change day itself, so the one before it.
		{"a week after autumn", "2026-11-01T12:00:00Z", "2026-11-01T12:30:00Z", data, "weekday", "12:00 120.001000 120.018000 0.000000\n"},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := window(t, c.start, c.end)
			r := New(Books{Zone: zone, Meter: c.meter, Windows: []actions.Window{w}}).Window(w, actions.TurnUp, terms(func(x *actions.Terms) {
				x.Like, x.Days, x.Fewest = c.like, 1, 1
			}))
			if d := cmp.Diff(c.want, figures(r)); d != "" {
				t.Errorf("-want +got:\n%s", d)
			}
		})
	}
}

// What an interval after midnight takes from the next date must be there, once and untouched; the rest of that date does
// not matter.
func TestAfterMidnight(t *testing.T) {
	zone := london(t)
	w := window(t, "2026-06-17T22:30:00Z", "2026-06-17T23:30:00Z")
	without := func(at string) *meter.Series {
		hole := utcTime(t, at).Unix()
		return series(t, zone, "2026-05-01T00:00:00Z", "2026-07-01T00:00:00Z", 30, func(l time.Time) int64 {
			if l.Unix() == hole {
				return -1
			}
			return byDay(l)
		})
	}
	full := series(t, zone, "2026-03-01T00:00:00Z", "2026-11-10T00:00:00Z", 30, byDay)
	for _, c := range []struct {
		name   string
		w      actions.Window
		meter  *meter.Series
		others []actions.Window
		want   string
	}{
		{"plain", w, full, nil, "06-16 06-15"},
		{"a gap in the very interval", w, without("2026-06-15T23:00:00Z"), nil, "06-14 06-13"}, // and 06-16 has the gap itself
		{"a window in the very interval", w, full, []actions.Window{window(t, "2026-06-15T23:00:00Z", "2026-06-15T23:30:00Z")}, "06-14 06-13"},
		{"a window later that date", w, full, []actions.Window{window(t, "2026-06-16T11:00:00Z", "2026-06-16T12:00:00Z")}, "06-15 06-14"},
		// Saturday 2026-10-24, 23:30 to 00:30: the next date changes its clocks later.
		{"a change later that date", window(t, "2026-10-26T23:30:00Z", "2026-10-27T00:30:00Z"), full, nil, "10-24 10-23"},
		// 23:30 to 02:00: on 2026-10-25 the clocks show 01:00 twice.
		{"a repeated hour", window(t, "2026-10-26T23:30:00Z", "2026-10-27T02:00:00Z"), full, nil, "10-23 10-22"},
		// 23:30 to 02:00: on 2026-03-29 the clocks never show 01:00.
		{"a skipped hour", window(t, "2026-03-30T22:30:00Z", "2026-03-31T01:00:00Z"), full, nil, "03-27 03-26"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := New(Books{Zone: zone, Meter: c.meter, Windows: append([]actions.Window{c.w}, c.others...)})
			r := s.Window(c.w, actions.TurnUp, terms(func(x *actions.Terms) { x.Like, x.Days, x.Fewest = "every", 2, 1 }))
			if got := dayList(r); got != c.want {
				t.Errorf("%s, want %s", got, c.want)
			}
		})
	}
}

// A gap in the window: null, and said.
func TestGapInTheWindow(t *testing.T) {
	hole := utcTime(t, "2026-06-17T11:30:00Z").Unix()
	data := series(t, london(t), "2026-03-01T00:00:00Z", "2026-07-01T00:00:00Z", 30, func(l time.Time) int64 {
		if l.Unix() == hole {
			return -1
		}
		return byDay(l)
	})
	w := window(t, "2026-06-17T11:00:00Z", "2026-06-17T12:30:00Z")
	r := New(Books{Zone: london(t), Meter: data}).Window(w, actions.TurnUp, terms(nil))
	// the days before are the 16th, 15th, 12th to 8th and 5th to 3rd: 9.3 times 100 Wh in the mean
	want := "11:00 1.700000 0.930000 0.770000\n11:30 null 0.930000 null\n12:00 1.700000 0.930000 0.770000\n"
	if d := cmp.Diff(want, figures(r)); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
	if r.Gain != nil || r.Credit != nil || r.Metered != nil || r.Likely != nil {
		t.Error("a gain over a gap")
	}
	if got := strings.Join(r.Problems, "; "); got != "gap in the window: no reading from Wed 17 Jun 2026 12:30 BST to Wed 17 Jun 2026 13:00 BST" {
		t.Error(got)
	}
}

// The adjustments at their edges. Like days use 100 Wh in each half hour, the window's day 200 before the window.
func TestAdjustments(t *testing.T) {
	use := func(before, like int64, hole string) *meter.Series {
		gap := int64(-1)
		if hole != "" {
			gap = utcTime(t, hole).Unix()
		}
		return series(t, time.UTC, "2026-05-01T00:00:00Z", "2026-06-18T00:00:00Z", 30, func(l time.Time) int64 {
			switch {
			case l.Unix() == gap:
				return -1
			case l.Month() == time.June && l.Day() == 17 && l.Hour() < 12:
				return before
			case l.Hour() < 12:
				return like
			}
			return 100
		})
	}
	for _, c := range []struct {
		name, start, end string
		meter            *meter.Series
		terms            func(*actions.Terms)
		baseline         string
		problem          string
	}{
		{"none", "2026-06-17T12:00:00Z", "2026-06-17T12:30:00Z", use(200, 100, ""), nil, "0.100000", ""},
		{"add", "2026-06-17T12:00:00Z", "2026-06-17T12:30:00Z", use(200, 100, ""), func(x *actions.Terms) { x.Adjust = "add" }, "0.200000", ""},
		{"add to a part", "2026-06-17T12:00:00Z", "2026-06-17T12:10:00Z", use(200, 100, ""), func(x *actions.Terms) { x.Adjust = "add" }, "0.066667", ""},
		{"add, the stretch cut inside intervals", "2026-06-17T12:10:00Z", "2026-06-17T12:30:00Z", use(200, 100, ""), func(x *actions.Terms) { x.Adjust = "add" }, "0.133333", ""},
		{"add below zero is held at zero", "2026-06-17T12:00:00Z", "2026-06-17T12:30:00Z", use(100, 300, ""), func(x *actions.Terms) { x.Adjust = "add" }, "0.000000", ""},
		{"scale up to the cap", "2026-06-17T12:00:00Z", "2026-06-17T12:30:00Z", use(200, 100, ""), func(x *actions.Terms) { x.Adjust = "scale" }, "0.120000", ""},
		{"scale down to the cap", "2026-06-17T12:00:00Z", "2026-06-17T12:30:00Z", use(50, 100, ""), func(x *actions.Terms) { x.Adjust = "scale" }, "0.080000", ""},
		{"scale within the cap", "2026-06-17T12:00:00Z", "2026-06-17T12:30:00Z", use(110, 100, ""), func(x *actions.Terms) { x.Adjust = "scale" }, "0.110000", ""},
		{"scale without a cap", "2026-06-17T12:00:00Z", "2026-06-17T12:30:00Z", use(200, 100, ""), func(x *actions.Terms) { x.Adjust, x.AdjustCap = "scale", -1 }, "0.200000", ""},
		{"scale only up", "2026-06-17T12:00:00Z", "2026-06-17T12:30:00Z", use(50, 100, ""), func(x *actions.Terms) { x.Adjust, x.AdjustOnly = "scale", "up" }, "0.100000", ""},
		{"a gap in the stretch", "2026-06-17T12:00:00Z", "2026-06-17T12:30:00Z", use(200, 100, "2026-06-17T10:30:00Z"), func(x *actions.Terms) { x.Adjust = "add" }, "0.100000",
			"no adjustment: a gap in the same day's use from Wed 17 Jun 2026 08:00 UTC to Wed 17 Jun 2026 11:00 UTC"},
		{"a gap after the stretch", "2026-06-17T12:00:00Z", "2026-06-17T12:30:00Z", use(200, 100, "2026-06-17T11:30:00Z"), func(x *actions.Terms) { x.Adjust = "add" }, "0.200000", ""},
		{"scale from nothing", "2026-06-17T12:00:00Z", "2026-06-17T12:30:00Z", use(200, 0, ""), func(x *actions.Terms) { x.Adjust = "scale" }, "0.100000",
			"no adjustment: the like days used nothing in the stretch from Wed 17 Jun 2026 08:00 UTC to Wed 17 Jun 2026 11:00 UTC"},
		{"add to nothing", "2026-06-17T12:00:00Z", "2026-06-17T12:30:00Z", use(200, 0, ""), func(x *actions.Terms) { x.Adjust = "add" }, "0.100000",
			"no adjustment: the like days used nothing in the stretch from Wed 17 Jun 2026 08:00 UTC to Wed 17 Jun 2026 11:00 UTC"},
		{"before midnight, where a like day's eve has a gap", "2026-06-17T02:00:00Z", "2026-06-17T02:30:00Z", use(200, 100, "2026-06-08T23:00:00Z"),
			func(x *actions.Terms) { x.Adjust, x.Days = "add", 6 }, "0.100000", "no adjustment: like day 2026-06-09 has a gap in the stretch from Tue 16 Jun 2026 22:00 UTC to Wed 17 Jun 2026 01:00 UTC"},
		{"a stretch of no length", "2026-06-17T12:00:00Z", "2026-06-17T12:30:00Z", use(200, 100, ""), func(x *actions.Terms) { x.Adjust, x.AdjustTo = "add", 4*time.Hour }, "0.100000",
			"no adjustment: adjust_from is not before adjust_to"},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := window(t, c.start, c.end)
			r := New(Books{Meter: c.meter}).Window(w, actions.TurnUp, terms(c.terms))
			if got := six(r.Slots[0].Baseline); got != c.baseline {
				t.Errorf("baseline %s, want %s (%s)", got, c.baseline, r.Method)
			}
			if got := strings.Join(r.Problems, "; "); got != c.problem {
				t.Errorf("problems %q, want %q", got, c.problem)
			}
		})
	}
}

// The stretch is elapsed time and matched by local clock time: four hours to one before 05:00 BST on the spring day begin at
// 00:00 GMT and pass over the skipped hour.
func TestAdjustmentOverAChange(t *testing.T) {
	zone := london(t)
	data := series(t, zone, "2026-03-01T00:00:00Z", "2026-11-10T00:00:00Z", 30, byClock)
	for _, c := range []struct{ start, end, metered, baseline string }{
		// 00:00 00:30 02:00 02:30 03:00 03:30, on the 29th and the 28th
		{"2026-03-29T04:00:00Z", "2026-03-29T04:30:00Z", "109.174000", "109.168000"},
		// 01:30 BST, 01:00 01:30 02:00 02:30 03:00 GMT, on the 25th and the 24th
		{"2026-10-25T04:30:00Z", "2026-10-25T05:00:00Z", "109.150000", "109.144000"},
	} {
		w := window(t, c.start, c.end)
		r := New(Books{Zone: zone, Meter: data}).Window(w, actions.TurnUp, terms(func(x *actions.Terms) {
			x.Like, x.Days, x.Fewest, x.Adjust = "every", 1, 1, "add"
		}))
		if a := r.Adjustment; a == nil || six(a.Metered) != c.metered || six(a.Baseline) != c.baseline {
			t.Errorf("%s: %s and %s, want %s and %s", c.start, six(a.Metered), six(a.Baseline), c.metered, c.baseline)
		}
	}
}

// Which terms apply, and what a rate by the clock, a fixed figure and the supplier's own figures do.
func TestTerms(t *testing.T) {
	zone := london(t)
	data := series(t, zone, "2026-03-01T00:00:00Z", "2026-07-01T00:00:00Z", 30, byDay)
	supplier := series(t, zone, "2026-06-17T00:00:00Z", "2026-06-18T00:00:00Z", 60, func(time.Time) int64 { return 1000 })
	since := func(day string) time.Time {
		x, err := time.ParseInLocation(time.DateOnly, day, zone)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	two := append(terms(nil), terms(func(x *actions.Terms) { x.Since, x.Rate = since("2026-06-17"), "0.5" })...)
	for _, c := range []struct {
		name, start, end string
		terms            []actions.Terms
		want             string // gain rate credit
		problems         string
	}{
		{"the first terms", "2026-06-16T11:00:00Z", "2026-06-16T11:30:00Z", two, "0.810000 0.245 0.2", ""},
		// 0.77 x 0.5 = 0.385: half to even
		{"the second from local midnight", "2026-06-16T23:00:00Z", "2026-06-16T23:30:00Z", two, "0.770000 0.5 0.38", ""},
		{"in any order", "2026-06-17T11:00:00Z", "2026-06-17T11:30:00Z", []actions.Terms{two[1], two[0]}, "0.770000 0.5 0.38", ""},
		{"none yet", "2026-06-16T11:00:00Z", "2026-06-16T11:30:00Z", two[1:], "null  ", "no terms apply on 2026-06-16: they begin later"},
		{"no rate", "2026-06-17T11:00:00Z", "2026-06-17T11:30:00Z", terms(func(x *actions.Terms) { x.Rate, x.Currency = "", "" }), "0.770000  ", "the terms have no rate, so there is no credit"},
		{"a bad rate", "2026-06-17T11:00:00Z", "2026-06-17T11:30:00Z", terms(func(x *actions.Terms) { x.Rate = "much" }), "0.770000  ", `rate "much" is no decimal number`},
		{"fixed", "2026-06-17T11:00:00Z", "2026-06-17T11:45:00Z", terms(func(x *actions.Terms) { x.Fixed = "0.7" }), "1.500000 0.245 0.37", ""},
		{"the supplier's figures", "2026-06-17T11:00:00Z", "2026-06-17T12:00:00Z", terms(func(x *actions.Terms) { x.Figures = "given.csv" }), "2.400000 0.245 0.59", ""},
		{"the supplier's figures say nothing", "2026-06-16T11:00:00Z", "2026-06-16T11:30:00Z", terms(func(x *actions.Terms) { x.Figures = "given.csv" }), "null 0.245 ",
			"the supplier's figures say nothing from Tue 16 Jun 2026 12:00 BST to Tue 16 Jun 2026 12:30 BST"},
		{"rates by the clock", "2026-06-17T11:00:00Z", "2026-06-17T12:00:00Z", terms(func(x *actions.Terms) {
			x.Rates = []actions.TimedRate{{From: 12*time.Hour + 30*time.Minute, To: 13 * time.Hour, Rate: "1"}}
		}), "1.540000  0.96", ""}, // 0.77 x 0.245 + 0.77 x 1 = 0.95865
		{"one rate by the clock, over midnight", "2026-06-17T11:00:00Z", "2026-06-17T12:00:00Z", terms(func(x *actions.Terms) {
			x.Rates = []actions.TimedRate{{From: 12 * time.Hour, To: 6 * time.Hour, Rate: "1"}}
		}), "1.540000 1 1.54", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := window(t, c.start, c.end)
			s := New(Books{Zone: zone, Meter: data, Figures: map[string]*meter.Series{"given.csv": supplier}})
			r := s.Window(w, actions.TurnUp, c.terms)
			got := six(r.Gain) + " "
			if r.Rate != nil {
				got += r.Rate.String()
			}
			got += " "
			if r.Credit != nil {
				got += r.Credit.String()
			}
			if got != c.want || strings.Join(r.Problems, "; ") != c.problems {
				t.Errorf("%q, %v; want %q, %s", got, r.Problems, c.want, c.problems)
			}
		})
	}
}

func TestNoDirection(t *testing.T) {
	data := series(t, time.UTC, "2026-05-01T00:00:00Z", "2026-06-18T00:00:00Z", 30, byDay)
	w := window(t, "2026-06-17T11:00:00Z", "2026-06-17T11:30:00Z")
	w.Notes = []string{"also matched by evening"}
	r := New(Books{Meter: data}).Window(w, actions.Neither, terms(nil))
	if r.Gain != nil || r.Slots[0].Gain != nil || r.Slots[0].Baseline == nil || len(r.Problems) != 2 || r.Problems[0] != "also matched by evening" {
		t.Errorf("%s%v", figures(r), r.Problems)
	}
}

func TestPayment(t *testing.T) {
	ten, nine, zero := decimal.New(10, 0), decimal.New(9, 0), decimal.New(0, 0)
	by := time.Date(2026, 6, 24, 12, 0, 0, 0, time.UTC)
	for _, c := range []struct {
		credit, recorded *decimal.Decimal
		now              time.Time
		want             Payment
	}{
		{nil, nil, by, NothingDue}, {&zero, nil, by, NothingDue}, {&ten, nil, by.Add(-1), Expected}, {&ten, nil, by, Missing},
		{&ten, &ten, by, Settled}, {&ten, &nine, by, Short}, {nil, &nine, by, Settled},
	} {
		r := Result{Credit: c.credit, Recorded: c.recorded, ExpectedBy: by}
		if got := r.Payment(c.now); got != c.want {
			t.Errorf("%v %v: %s, want %s", c.credit, c.recorded, got, c.want)
		}
	}
	gap := Result{Terms: &terms(nil)[0], ExpectedBy: by}
	if got := gap.Payment(by); got != Unknown {
		t.Errorf("a gap under terms with a rate: %s, want %s", got, Unknown)
	}
}
