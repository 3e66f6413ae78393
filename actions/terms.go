package actions

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Words says in plain words what the terms are: the baseline, its adjustment, the floor, the rate and when the credit is
// due, a part each.
func (t *Terms) Words() []string {
	return []string{t.baseline(), t.adjustment(), t.floor(), t.rate(), "the credit is due " + span(t.CreditAfter) + " after the window"}
}

func (t *Terms) baseline() string {
	switch {
	case t.Fixed != "":
		return "the baseline is fixed at " + t.Fixed + " kWh an interval"
	case t.Figures != "":
		return "the baseline is the supplier's own figures, " + t.Figures
	case t.SameDay != nil:
		return "the baseline is the same day's mean power " + t.SameDay.words()
	}
	days := "days"
	switch t.Like {
	case "workday":
		days = "days of the same kind (workdays, or days off)"
	case "weekday":
		days = "days of the same weekday"
	}
	number := strconv.Itoa(t.Days)
	if t.Like == "workday" && t.DaysOff != t.Days {
		number = fmt.Sprintf("%d (%d for a day off)", t.Days, t.DaysOff)
	}
	s := fmt.Sprintf("the baseline is the mean of the newest %s %s", number, days)
	if t.Pick != "all" && t.Pick != "" {
		s = fmt.Sprintf("the baseline is the mean of the %d %s of the newest %s %s", t.Keep, t.Pick, number, days)
	}
	s += fmt.Sprintf(" within %s, of which %d must be found", span(t.LookBack), t.Fewest)
	if t.Holidays != "" {
		s += ", with the holidays of feed " + t.Holidays
	}
	if t.LeaveOut != "" {
		s += ", without the days of feed " + t.LeaveOut
	}
	return s
}

func (d *SameDay) words() string {
	var parts []string
	if d.BeforeFrom > d.BeforeTo {
		parts = append(parts, fmt.Sprintf("from %s to %s before the window", span(d.BeforeFrom), span(d.BeforeTo)))
	}
	if d.AfterTo > d.AfterFrom {
		parts = append(parts, fmt.Sprintf("from %s to %s after it", span(d.AfterFrom), span(d.AfterTo)))
	}
	return strings.Join(parts, " and ")
}

func (t *Terms) adjustment() string {
	if t.Adjust != "add" && t.Adjust != "scale" || t.Fixed != "" || t.Figures != "" || t.SameDay != nil {
		return "it is not adjusted by the same day's use"
	}
	s := fmt.Sprintf("the difference of the same day's use from %s to %s before the window is added", span(t.AdjustFrom), span(t.AdjustTo))
	if t.Adjust == "scale" {
		s = fmt.Sprintf("it is scaled by the same day's use from %s to %s before the window", span(t.AdjustFrom), span(t.AdjustTo))
		if t.AdjustCap >= 0 {
			s += fmt.Sprintf(", within %s to %s", share(1-t.AdjustCap), share(1+t.AdjustCap))
		}
	}
	if t.AdjustOnly == "up" {
		s += ", never downwards"
	}
	return s
}

func share(x float64) string { return strconv.FormatFloat(x, 'g', 6, 64) }

func (t *Terms) floor() string {
	switch t.Floor {
	case "interval":
		return "a gain below zero counts as zero in each interval"
	case "window":
		return "a gain below zero counts as zero over the window"
	}
	return "gains below zero count"
}

func (t *Terms) rate() string {
	s := "no rate is given, so there is no credit"
	if t.Rate != "" {
		s = "it is paid at " + t.Rate + " " + t.Currency + "/kWh"
	}
	for i, r := range t.Rates {
		if i == 0 && t.Rate == "" {
			s = "it is paid at nothing"
		}
		s += fmt.Sprintf(", from %s to %s at %s %s/kWh", ofDay(r.From), ofDay(r.To), r.Rate, t.Currency)
	}
	return s
}

// ofDay writes a time since midnight as clocks show it.
func ofDay(d time.Duration) string {
	return fmt.Sprintf("%02d:%02d", int(d/time.Hour), int(d%time.Hour/time.Minute))
}

// span writes a length of time: "60 days", "4 h", "1 h 30 min".
func span(d time.Duration) string {
	const day = 24 * time.Hour
	var parts []string
	if n := d / day; n == 1 {
		parts = append(parts, "1 day")
	} else if n > 0 {
		parts = append(parts, fmt.Sprintf("%d days", n))
	}
	for _, u := range []struct {
		of   time.Duration
		in   time.Duration
		name string
	}{{time.Hour, day, "h"}, {time.Minute, time.Hour, "min"}, {time.Second, time.Minute, "s"}} {
		if n := d % u.in / u.of; n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, u.name))
		}
	}
	if len(parts) == 0 {
		return "0 h"
	}
	return strings.Join(parts, " ")
}
