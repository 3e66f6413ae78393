package actions

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestTermsInWords(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*Terms)
		want   string // parts, one a line; "" as those of the defaults
	}{
		{"the defaults, with a rate", func(*Terms) {}, `the baseline is the mean of the newest 10 (4 for a day off) days of the same kind (workdays, or days off) within 60 days, of which 4 must be found
it is not adjusted by the same day's use
a gain below zero counts as zero in each interval
it is paid at 0.245 GBP/kWh
the credit is due 7 days after the window`},
		{"highest, scaled", func(x *Terms) {
			x.Pick, x.Keep, x.Like, x.Holidays, x.LeaveOut, x.LookBack = "highest", 5, "weekday", "feasts", "outages", 45*24*time.Hour
			x.Adjust, x.AdjustOnly, x.Floor, x.CreditAfter = "scale", "up", "window", 36*time.Hour
		}, `the baseline is the mean of the 5 highest of the newest 10 days of the same weekday within 45 days, of which 4 must be found, with the holidays of feed feasts, without the days of feed outages
it is scaled by the same day's use from 4 h to 1 h before the window, within 0.8 to 1.2, never downwards
a gain below zero counts as zero over the window
it is paid at 0.245 GBP/kWh
the credit is due 1 day 12 h after the window`},
		{"every day, added, timed rates", func(x *Terms) {
			x.Like, x.Adjust, x.AdjustFrom, x.AdjustTo, x.Floor = "every", "add", 150*time.Minute, 0, "none"
			x.Rates = []TimedRate{{From: 16 * time.Hour, To: 19*time.Hour + 30*time.Minute, Rate: "0.40"}}
		}, `the baseline is the mean of the newest 10 days within 60 days, of which 4 must be found
the difference of the same day's use from 2 h 30 min to 0 h before the window is added
gains below zero count
it is paid at 0.245 GBP/kWh, from 16:00 to 19:30 at 0.40 GBP/kWh
the credit is due 7 days after the window`},
		{"no cap", func(x *Terms) { x.Adjust, x.AdjustCap, x.Rate, x.Currency = "scale", -1, "", "" }, `the baseline is the mean of the newest 10 (4 for a day off) days of the same kind (workdays, or days off) within 60 days, of which 4 must be found
it is scaled by the same day's use from 4 h to 1 h before the window
a gain below zero counts as zero in each interval
no rate is given, so there is no credit
the credit is due 7 days after the window`},
		{"fixed", func(x *Terms) {
			x.Fixed, x.Adjust = "0.4", "add"
			x.Rate, x.Rates = "", []TimedRate{{From: 0, To: time.Hour, Rate: "1"}}
		}, `the baseline is fixed at 0.4 kWh an interval
it is not adjusted by the same day's use
a gain below zero counts as zero in each interval
it is paid at nothing, from 00:00 to 01:00 at 1 GBP/kWh
the credit is due 7 days after the window`},
		{"figures", func(x *Terms) { x.Figures = "theirs.csv" }, `the baseline is the supplier's own figures, theirs.csv
it is not adjusted by the same day's use
a gain below zero counts as zero in each interval
it is paid at 0.245 GBP/kWh
the credit is due 7 days after the window`},
		{"the same day", func(x *Terms) {
			x.SameDay = &SameDay{BeforeFrom: 4 * time.Hour, BeforeTo: time.Hour, AfterFrom: time.Hour, AfterTo: 3 * time.Hour}
		}, `the baseline is the same day's mean power from 4 h to 1 h before the window and from 1 h to 3 h after it
it is not adjusted by the same day's use
a gain below zero counts as zero in each interval
it is paid at 0.245 GBP/kWh
the credit is due 7 days after the window`},
	} {
		t.Run(c.name, func(t *testing.T) {
			x := defaultTerms()
			x.Rate, x.Currency = "0.245", "GBP"
			c.change(&x)
			if d := cmp.Diff(c.want, strings.Join(x.Words(), "\n")); d != "" {
				t.Error(d)
			}
		})
	}
}

// defaultTerms returns the terms of a procedure that names only a rate.
func defaultTerms() Terms {
	const day = 24 * time.Hour
	return Terms{
		Days: 10, DaysOff: 4, Keep: 10, Pick: "all", Like: "workday", LookBack: 60 * day, Fewest: 4,
		Adjust: "none", AdjustFrom: 4 * time.Hour, AdjustTo: time.Hour, AdjustCap: 0.2,
		Floor: "interval", CreditAfter: 7 * day,
	}
}
