package recur

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	rrule "github.com/teambition/rrule-go"
	"pgregory.net/rapid"

	"spillway/calendar/civil"
)

// flat is a clock without offset.
type flat struct{}

func (flat) Instant(w civil.Wall) int64 { return int64(w) }
func (flat) Wall(t int64) civil.Wall    { return civil.Wall(t) }

func wall(s string) civil.Wall {
	v, err := civil.Parse(s)
	if err != nil {
		panic(err)
	}
	return v.Wall
}

type fataler interface{ Fatalf(string, ...any) }

func expand(t fataler, text string, start civil.Wall, clock Clock, from, to int64, most int) []time.Time {
	r, err := Parse(text)
	if err != nil {
		t.Fatalf("%s: %v", text, err)
	}
	return expandRule(t, r, start, clock, from, to, most)
}

func expandRule(t fataler, r Rule, start civil.Wall, clock Clock, from, to int64, most int) []time.Time {
	var out []time.Time
	b := Budget{Left: 10_000_000}
	err := r.Expand(Instance{start, clock.Instant(start)}, false, clock, from, to, &b, func(in Instance) bool {
		out = append(out, time.Unix(in.At, 0).UTC())
		return len(out) < most
	})
	if err != nil {
		t.Fatalf("%v: %v", r, err)
	}
	return out
}

// anyRule draws rules on which rrule-go is right: without BYWEEKNO (it has weeks of calendar years), lists of mixed
// ordinals, BYSETPOS in weeks (its first week begins at DTSTART) and parts that RFC 5545 forbids together.
func anyRule(t *rapid.T) string {
	freq := rapid.SampledFrom([]string{"DAILY", "WEEKLY", "MONTHLY", "YEARLY"}).Draw(t, "freq")
	parts := []string{"FREQ=" + freq}
	some := func(name string, lo, hi int, signs bool) {
		g := rapid.IntRange(lo, hi)
		if signs {
			g = rapid.Custom(func(t *rapid.T) int {
				return rapid.IntRange(lo, hi).Draw(t, "n") * rapid.SampledFrom([]int{1, -1}).Draw(t, "sign")
			})
		}
		if n := rapid.SliceOfNDistinct(g, 1, 4, rapid.ID[int]).Draw(t, name); rapid.Bool().Draw(t, "has "+name) {
			parts = append(parts, name+"="+strings.Trim(strings.ReplaceAll(fmt.Sprint(n), " ", ","), "[]"))
		}
	}
	if n := rapid.IntRange(1, 5).Draw(t, "interval"); n > 1 {
		parts = append(parts, fmt.Sprintf("INTERVAL=%d", n))
	}
	some("BYMONTH", 1, 12, false)
	if freq != "WEEKLY" {
		some("BYMONTHDAY", 1, 31, true)
	}
	if freq == "YEARLY" {
		some("BYYEARDAY", 1, 366, true)
	}
	if rapid.Bool().Draw(t, "byday") {
		ordinals := (freq == "MONTHLY" || freq == "YEARLY") && rapid.Bool().Draw(t, "ordinals")
		var days []string
		for _, d := range rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"MO", "TU", "WE", "TH", "FR", "SA", "SU"}), 1, 7, rapid.ID[string]).Draw(t, "days") {
			if ordinals {
				d = fmt.Sprint(rapid.SampledFrom([]int{-5, -3, -2, -1, 1, 2, 3, 4, 5}).Draw(t, "nth"), d)
			}
			days = append(days, d)
		}
		parts = append(parts, "BYDAY="+strings.Join(days, ","))
	}
	some("BYHOUR", 0, 23, false)
	some("BYMINUTE", 0, 59, false)
	if freq == "MONTHLY" || freq == "YEARLY" {
		some("BYSETPOS", 1, 9, true)
	}
	parts = append(parts, "WKST="+rapid.SampledFrom([]string{"MO", "SU", "WE"}).Draw(t, "wkst"))
	return strings.Join(parts, ";")
}

// The reference is rrule-go v1.8.2, on wall-clock time held as UTC, walked from DTSTART. Where BYSETPOS picks from a
// period, DTSTART is put on the first of January, since the library's first period begins at DTSTART.
func TestExpandAgreesWithLibrary(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := anyRule(t)
		start := wall("19970902T090000") + civil.Wall(rapid.Int64Range(0, 8000).Draw(t, "day")*civil.SecondsPerDay)
		if strings.Contains(text, "SETPOS") {
			y, _, _ := start.Day().Date()
			start = civil.Date(y, 1, 1).Wall()
		}
		switch rapid.IntRange(0, 2).Draw(t, "end") {
		case 1:
			text += fmt.Sprintf(";COUNT=%d", rapid.IntRange(1, 900).Draw(t, "count"))
		case 2:
			text += ";UNTIL=" + (start + civil.Wall(rapid.Int64Range(0, 9000*civil.SecondsPerDay).Draw(t, "until"))).Time().Format("20060102T150405Z")
		}
		from := start.Time().AddDate(0, 0, rapid.IntRange(-30, 4000).Draw(t, "from"))
		to := from.AddDate(0, 0, rapid.IntRange(0, 800).Draw(t, "to"))
		opt, err := rrule.StrToROption(text)
		if err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		opt.Dtstart = start.Time()
		if opt.Until.IsZero() {
			opt.Until = to // keeps the library's search for what never comes short
		}
		if opt.Until.After(to) && opt.Count == 0 {
			opt.Until = to
		}
		lib, err := rrule.NewRRule(*opt)
		if err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		var want []time.Time
		next := lib.Iterator()
		for v, ok := next(); ok && v.Before(to); v, ok = next() {
			if !v.Before(from) {
				want = append(want, v)
			}
		}
		got := expand(t, text, start, flat{}, from.Unix(), to.Unix(), 1e6)
		if d := cmp.Diff(want, got); d != "" {
			t.Fatalf("%s from %s in [%s, %s): %s", text, start.Time(), from, to, d)
		}
	})
}

// What is skipped must not matter: a range found from the start and one found by skipping are the same.
func TestSkippingChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := anyRule(t)
		if rapid.Bool().Draw(t, "hours") {
			text = strings.NewReplacer("DAILY", "HOURLY", "WEEKLY", "HOURLY", "MONTHLY", "MINUTELY").Replace(text)
		}
		if rapid.Bool().Draw(t, "counted") {
			text += fmt.Sprintf(";COUNT=%d", rapid.IntRange(1, 900).Draw(t, "count"))
		}
		start := wall("20150105T093000")
		from := int64(start) + rapid.Int64Range(0, 200*civil.SecondsPerDay).Draw(t, "from")
		to := from + 10*civil.SecondsPerDay
		var want []time.Time
		for _, v := range expand(t, text, start, flat{}, 0, to, 1e6) {
			if v.Unix() >= from {
				want = append(want, v)
			}
		}
		if d := cmp.Diff(want, expand(t, text, start, flat{}, from, to, 1e6)); d != "" {
			t.Fatalf("%s: %s", text, d)
		}
	})
}

// Every part of every rule, once more by the plainest means: each day of eight years is asked whether it belongs.
func TestExpandAgreesWithFilter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := anyRule(t)
		r, _ := Parse(text)
		r.SetPos, r.Interval, r.Hours, r.Minutes = nil, 1, nil, nil
		start := wall("20110301T000000")
		var want []time.Time
		for d := start.Day(); d < start.Day()+3000; d++ {
			if naive(r, start.Day(), d) {
				want = append(want, d.Wall().Time())
			}
		}
		got := expandRule(t, r, start, flat{}, 0, int64((start.Day() + 3000).Wall()), 1e6)
		if d := cmp.Diff(want, got); d != "" {
			t.Fatalf("%s: %s", text, d)
		}
	})
}

func naive(r Rule, start, d civil.Day) bool {
	y, m, dom := d.Date()
	_, sm, sdom := start.Date()
	n, yd := civil.DaysIn(y, m), int(d-civil.Date(y, 1, 1))+1
	in := func(list []int, vs ...int) bool {
		return len(list) == 0 || slices.ContainsFunc(vs, func(v int) bool { return slices.Contains(list, v) })
	}
	noDay := len(r.Days)+len(r.MonthDays)+len(r.YearDays) == 0
	if noDay && (r.Freq == Monthly || r.Freq == Yearly) && dom != sdom || noDay && r.Freq == Yearly && len(r.Months) == 0 && m != sm ||
		noDay && r.Freq == Weekly && d.Weekday() != start.Weekday() {
		return false
	}
	nth := func(w WeekdayNum) bool {
		a, b := (dom-1)/7+1, -((n-dom)/7 + 1)
		if r.Freq == Yearly && len(r.Months) == 0 {
			a, b = (yd-1)/7+1, -((yearLength(y)-yd)/7 + 1)
		}
		return w.Weekday == d.Weekday() && (w.N == 0 || r.Freq < Monthly || w.N == a || w.N == b)
	}
	return in(r.Months, m) && in(r.MonthDays, dom, dom-n-1) && in(r.YearDays, yd, yd-yearLength(y)-1) && (len(r.Days) == 0 || slices.ContainsFunc(r.Days, nth))
}

func FuzzExpand(f *testing.F) {
	f.Add("FREQ=MONTHLY;BYDAY=MO,-1TU;BYMONTHDAY=1,2,3;BYSETPOS=-1", int64(1_700_000_000), int64(86400*400))
	f.Add("freq=secondly;byhour=3;interval=7;count=99", int64(-62_000_000_000), int64(1_700_000_000))
	f.Add("FREQ=YEARLY;BYWEEKNO=53,-1;UNTIL=20300101T000000Z", int64(1_600_000_000), int64(0))
	f.Fuzz(func(t *testing.T, text string, start, after int64) {
		r, err := Parse(text)
		if err != nil {
			return
		}
		start %= 253_000_000_000
		if start < int64(civil.FirstDay)*civil.SecondsPerDay {
			start = -start
		}
		from := start + after%80_000_000_000
		to := from + 86400*30
		b := Budget{Left: 200_000}
		last, n := civil.Wall(-1<<62), 0
		err = r.Expand(Instance{civil.Wall(start), start}, false, flat{}, from, to, &b, func(in Instance) bool {
			n++
			if in.At < from || in.At >= to || in.At < start || in.Wall <= last || int64(in.Wall) != in.At {
				t.Fatalf("%s from %d: %v after %d is not in [%d, %d)", text, start, in, last, from, to)
			}
			last = in.Wall
			return n < 5000
		})
		if err != nil && b.Left >= 0 {
			t.Fatalf("%v with %d left", err, b.Left)
		}
		if r.Count > 0 && int64(n) > r.Count {
			t.Fatalf("%s yields %d", text, n)
		}
	})
}
