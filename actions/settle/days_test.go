package settle

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"spillway/actions"
	"spillway/actions/meter"
	"spillway/calendar"
)

// Which days are like days, by DESIGN, Meter and settlement. 2026-06-17 is a Wednesday.
func TestLikeDays(t *testing.T) {
	zone := london(t)
	full := series(t, zone, "2026-03-01T00:00:00Z", "2026-07-01T00:00:00Z", 30, byDay)
	gap := func(from, to string) *meter.Series {
		a, b := utcTime(t, from).Unix(), utcTime(t, to).Unix()
		return series(t, zone, "2026-03-01T00:00:00Z", "2026-07-01T00:00:00Z", 30, func(l time.Time) int64 {
			if l.Unix() >= a && l.Unix() < b {
				return -1
			}
			return byDay(l)
		})
	}
	wed := window(t, "2026-06-17T11:00:00Z", "2026-06-17T12:00:00Z")
	sat := window(t, "2026-06-20T11:00:00Z", "2026-06-20T12:00:00Z")
	day := func(s string) Date { return DateOf(utcTime(t, s+"T12:00:00Z"), zone) }
	for _, c := range []struct {
		name   string
		w      actions.Window
		meter  *meter.Series
		others []actions.Window
		terms  func(*actions.Terms)
		want   string
	}{
		{"workdays", wed, full, nil, nil, "06-16 06-15 06-12 06-11 06-10 06-09 06-08 06-05 06-04 06-03"},
		{"days off", sat, full, nil, nil, "06-14 06-13 06-07 06-06"},
		{"weekday", wed, full, nil, func(x *actions.Terms) { x.Like, x.Days = "weekday", 5 }, "06-10 06-03 05-27 05-20 05-13"},
		{"weekday looks at days, not days_off", sat, full, nil, func(x *actions.Terms) { x.Like, x.Days = "weekday", 5 }, "06-13 06-06 05-30 05-23 05-16"},
		{"every", wed, full, nil, func(x *actions.Terms) { x.Like, x.Days = "every", 4 }, "06-16 06-15 06-14 06-13"},
		{"a holiday is none", wed, full, nil, func(x *actions.Terms) { x.Holidays, x.Days = "hols", 4 }, "06-15 06-12 06-11 06-10"},
		{"a holiday is like days off", sat, full, nil, func(x *actions.Terms) { x.Holidays, x.DaysOff = "hols", 6 }, "06-16 06-14 06-13 06-07 06-06 05-31"},
		{"a window on a holiday", window(t, "2026-06-16T11:00:00Z", "2026-06-16T12:00:00Z"), full, nil, func(x *actions.Terms) { x.Holidays = "hols" }, "06-14 06-13 06-07 06-06"},
		{"a holiday does not matter to weekday", window(t, "2026-06-23T11:00:00Z", "2026-06-23T12:00:00Z"), full, nil, func(x *actions.Terms) { x.Like, x.Days, x.Holidays, x.Fewest = "weekday", 2, "hols", 2 }, "06-16 06-09"},
		{"the day before counts as 1", wed, full, nil, func(x *actions.Terms) { x.Like, x.LookBack, x.Fewest = "every", 2*24*time.Hour, 1 }, "06-16 06-15"},
		{"look-back ends the search", wed, full, nil, func(x *actions.Terms) { x.LookBack = 7 * 24 * time.Hour }, "06-16 06-15 06-12 06-11 06-10"},
		{"another window", wed, full, []actions.Window{window(t, "2026-06-16T20:00:00Z", "2026-06-16T21:00:00Z")}, func(x *actions.Terms) { x.Days = 4 }, "06-15 06-12 06-11 06-10"},
		{"another window the same day", wed, full, []actions.Window{window(t, "2026-06-17T20:00:00Z", "2026-06-17T21:00:00Z")}, func(x *actions.Terms) { x.Days = 4 }, "06-16 06-15 06-12 06-11"},
		{"another window over local midnight", wed, full, []actions.Window{window(t, "2026-06-15T22:30:00Z", "2026-06-15T23:30:00Z")}, func(x *actions.Terms) { x.Days = 4 }, "06-12 06-11 06-10 06-09"},
		{"another window that ends at local midnight", wed, full, []actions.Window{window(t, "2026-06-15T22:00:00Z", "2026-06-15T23:00:00Z")}, func(x *actions.Terms) { x.Days = 4 }, "06-16 06-12 06-11 06-10"},
		{"another window of no length", wed, full, []actions.Window{window(t, "2026-06-16T20:00:00Z", "2026-06-16T20:00:00Z")}, func(x *actions.Terms) { x.Days = 4 }, "06-16 06-15 06-12 06-11"},
		{"a gap in the day, not in the window", wed, gap("2026-06-16T20:00:00Z", "2026-06-16T20:30:00Z"), nil, func(x *actions.Terms) { x.Days = 4 }, "06-15 06-12 06-11 06-10"},
		{"a gap before local midnight is the day before's", wed, gap("2026-06-15T22:30:00Z", "2026-06-15T23:00:00Z"), nil, func(x *actions.Terms) { x.Days = 4 }, "06-16 06-12 06-11 06-10"},
		{"a clock change", window(t, "2026-04-01T11:00:00Z", "2026-04-01T12:00:00Z"), full, nil, func(x *actions.Terms) { x.Like, x.Days = "every", 4 }, "03-31 03-30 03-28 03-27"},
		{"left out", wed, full, nil, func(x *actions.Terms) { x.LeaveOut, x.Days = "outages", 4 }, "06-16 06-12 06-11 06-10"},
		{"before the data", window(t, "2026-03-06T11:00:00Z", "2026-03-06T12:00:00Z"), full, nil, func(x *actions.Terms) { x.Fewest = 1 }, "03-05 03-04 03-03 03-02"},
		{"too few", window(t, "2026-03-04T11:00:00Z", "2026-03-04T12:00:00Z"), full, nil, nil, "03-03 03-02"},
		{"highest", wed, full, nil, func(x *actions.Terms) { x.Pick, x.Keep = "highest", 3 }, "06-16 06-15 06-12"},
		{"lowest", wed, full, nil, func(x *actions.Terms) { x.Pick, x.Keep = "lowest", 3 }, "06-05 06-04 06-03"},
		{"middle, even", wed, full, nil, func(x *actions.Terms) { x.Pick, x.Keep = "middle", 6 }, "06-12 06-11 06-10 06-09 06-08 06-05"},
		{"middle, odd: one more from the highest", wed, full, nil, func(x *actions.Terms) { x.Pick, x.Keep = "middle", 7 }, "06-12 06-11 06-10 06-09 06-08 06-05 06-04"},
		{"fewer than keep", sat, full, nil, func(x *actions.Terms) { x.Pick, x.Keep = "highest", 10 }, "06-14 06-13 06-07 06-06"},
		{"keep is ignored by all", wed, full, nil, func(x *actions.Terms) { x.Pick, x.Keep = "all", 2 }, "06-16 06-15 06-12 06-11 06-10 06-09 06-08 06-05 06-04 06-03"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := New(Books{Zone: zone, Meter: c.meter, Windows: append([]actions.Window{c.w}, c.others...),
				Holidays: map[string]Dates{"hols": {day("2026-06-16"): "Founders' Day"}},
				LeaveOut: map[string]Dates{"outages": {day("2026-06-15"): "Line down"}}})
			if got := dayList(s.Window(c.w, actions.TurnUp, terms(c.terms))); got != c.want {
				t.Errorf("%s\nwant %s", got, c.want)
			}
		})
	}
}

// Ties: the newer day first.
func TestTies(t *testing.T) {
	data := series(t, time.UTC, "2026-03-01T00:00:00Z", "2026-07-01T00:00:00Z", 30, func(l time.Time) int64 {
		if l.Day() == 10 {
			return 50
		}
		return 100
	})
	w := window(t, "2026-06-17T11:00:00Z", "2026-06-17T12:00:00Z")
	for _, c := range []struct{ pick, want string }{
		{"highest", "06-16 06-15 06-12"},
		{"lowest", "06-16 06-15 06-10"},
		{"middle", "06-12 06-11 06-09"}, // lowest first: 10, then 16 15 12 11 9 8 5 4 3; three dropped, three kept
	} {
		r := New(Books{Meter: data, Windows: []actions.Window{w}}).Window(w, actions.TurnUp, terms(func(x *actions.Terms) { x.Pick, x.Keep = c.pick, 3 }))
		if got := dayList(r); got != c.want {
			t.Errorf("%s: %s, want %s", c.pick, got, c.want)
		}
	}
}

// Why each day counts or not, for whoever disputes it.
func TestConsidered(t *testing.T) {
	zone := london(t)
	hole := utcTime(t, "2026-04-01T20:00:00Z").Unix()
	data := series(t, zone, "2026-03-01T00:00:00Z", "2026-07-01T00:00:00Z", 30, func(l time.Time) int64 {
		if l.Unix() == hole {
			return -1
		}
		return byDay(l)
	})
	w := window(t, "2026-04-03T11:00:00Z", "2026-04-03T12:00:00Z") // a Friday
	other := window(t, "2026-03-31T11:00:00Z", "2026-03-31T12:00:00Z")
	s := New(Books{Zone: zone, Meter: data, Windows: []actions.Window{w, other}})
	r := s.Window(w, actions.TurnUp, terms(func(x *actions.Terms) { x.Days, x.Keep, x.Pick, x.Fewest = 3, 2, "lowest", 1 }))
	var got []string
	for _, c := range r.Considered {
		got = append(got, fmt.Sprintf("%s %t %s %s", c.Date, c.Used, six(c.KWh), c.Why))
	}
	want := []string{
		"2026-04-02 true 0.400000 ",
		"2026-04-01 false null a gap in the data",
		"2026-03-31 false null another window that settles",
		"2026-03-30 false 6.000000 a like day, but not of the 2 kept (lowest)",
		"2026-03-29 false null not of the same kind: Sunday",
		"2026-03-28 false null not of the same kind: Saturday",
		"2026-03-27 true 5.400000 ",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
}

func TestTooFew(t *testing.T) {
	w := window(t, "2026-03-04T11:00:00Z", "2026-03-04T12:00:00Z")
	data := series(t, time.UTC, "2026-03-01T00:00:00Z", "2026-03-05T00:00:00Z", 30, byDay)
	r := New(Books{Meter: data}).Window(w, actions.TurnUp, terms(nil))
	if r.Gain != nil || r.Credit != nil || r.Slots[0].Baseline != nil || six(r.Slots[0].Metered) != "0.400000" {
		t.Errorf("%s", figures(r))
	}
	if got := strings.Join(r.Problems, "; "); got != "too few like days: 2 found in the 60 days before, 4 needed" {
		t.Error(got)
	}
	if r.Considered[0].Used {
		t.Error("a day counts as used though there is no figure")
	}
}

func TestDatesOf(t *testing.T) {
	zone := london(t)
	got := DatesOf([]calendar.Occurrence{
		{Summary: "All day", Start: utcTime(t, "2026-06-11T23:00:00Z"), End: utcTime(t, "2026-06-12T23:00:00Z")},
		{Summary: "Evening to morning", Start: utcTime(t, "2026-06-14T20:00:00Z"), End: utcTime(t, "2026-06-15T01:00:00Z")},
		{Summary: "An instant", Start: utcTime(t, "2026-06-16T23:30:00Z"), End: utcTime(t, "2026-06-16T23:30:00Z")},
		{Summary: "Called off", Status: "cancelled", Start: utcTime(t, "2026-06-20T10:00:00Z"), End: utcTime(t, "2026-06-20T11:00:00Z")},
		{Summary: "Again", Start: utcTime(t, "2026-06-12T10:00:00Z"), End: utcTime(t, "2026-06-12T11:00:00Z")},
	}, zone)
	names := map[string]string{}
	for d, n := range got {
		names[d.String()] = n
	}
	want := map[string]string{"2026-06-12": "All day", "2026-06-14": "Evening to morning", "2026-06-15": "Evening to morning", "2026-06-17": "An instant"}
	if d := cmp.Diff(want, names); d != "" {
		t.Errorf("-want +got:\n%s", d)
	}
}

// A date begins with the first instant that shows it, also where the clocks skip midnight (São Paulo, 2018-11-04) or repeat
// it (Havana, 2026-11-01).
func TestDateBegins(t *testing.T) {
	for _, c := range []struct{ zone, day, want string }{
		{"America/Sao_Paulo", "2018-11-04", "2018-11-04T03:00:00Z"},
		{"America/Havana", "2026-11-01", "2026-11-01T04:00:00Z"},
		{"Europe/London", "2026-06-12", "2026-06-11T23:00:00Z"},
		{"UTC", "1969-12-31", "1969-12-31T00:00:00Z"},
	} {
		d := DateOf(utcTime(t, c.day+"T12:00:00Z"), time.UTC)
		if got := time.Unix(d.begin(zoneOf(t, c.zone)), 0).UTC().Format(time.RFC3339); got != c.want {
			t.Errorf("%s in %s begins %s, want %s", c.day, c.zone, got, c.want)
		}
	}
}
