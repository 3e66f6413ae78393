package settle

import (
	"math/big"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/meter"
)

func rat(s string) *big.Rat { r, _ := new(big.Rat).SetString(s); return r }

// Type 7 of Hyndman and Fan: of 1 to 11 the tenth of a hundred is 2 and the ninetieth 10; of 1 and 2 they are 1.1 and 1.9.
func TestQuantile(t *testing.T) {
	var eleven []*big.Rat
	for i := range int64(11) {
		eleven = append(eleven, big.NewRat(i+1, 1))
	}
	for _, c := range []struct {
		values  []*big.Rat
		p, want string
	}{{eleven, "1/10", "2"}, {eleven, "9/10", "10"}, {eleven[:2], "1/10", "11/10"}, {eleven[:2], "9/10", "19/10"}, {eleven, "1", "11"}, {eleven[:1], "1/10", "1"}} {
		if got := quantile(c.values, rat(c.p)).RatString(); got != c.want {
			t.Errorf("%s of %d values: %s, want %s", c.p, len(c.values), got, c.want)
		}
	}
}

// A window to come: the like days use 1 kWh in the hour on each, but for one that uses 3.
func TestOutlook(t *testing.T) {
	data := series(t, time.UTC, "2026-05-01T00:00:00Z", "2026-06-17T00:00:00Z", 30, func(l time.Time) int64 {
		if l.Day() == 10 && l.Month() == time.June {
			return 1500
		}
		return 500
	})
	w := window(t, "2026-06-19T12:00:00Z", "2026-06-19T13:00:00Z") // a Friday; the meter ends on Tuesday
	s := New(Books{Meter: data, Windows: []actions.Window{w}})
	for _, c := range []struct {
		direction                            actions.Direction
		planned                              string
		baseline, gain, low, high, worth, by string
	}{
		{actions.TurnUp, "4", "1.200000", "4.000000", "3.800000", "4.000000", "0.980000", "06-16"},
		{actions.TurnDown, "-0.8", "1.200000", "0.800000", "0.800000", "1.000000", "0.196000", "06-16"},
		{actions.TurnUp, "-1", "1.200000", "0.000000", "-0.200000", "0.000000", "0.000000", "06-16"},
	} {
		o := s.Outlook(w, c.direction, terms(func(x *actions.Terms) { x.Adjust = "add" }), rat(c.planned))
		if six(o.Baseline) != c.baseline || six(o.Gain) != c.gain || six(o.Likely.Low) != c.low || six(o.Likely.High) != c.high || six(o.Credit) != c.worth {
			t.Errorf("%s %s: baseline %s gain %s, %s to %s, worth %s", c.direction, c.planned, six(o.Baseline), six(o.Gain), six(o.Likely.Low), six(o.Likely.High), six(o.Credit))
		}
		if o.Days[0].String()[5:] != c.by || len(o.Problems) > 0 {
			t.Errorf("days %v, %v", o.Days, o.Problems)
		}
	}
	if o := s.Outlook(w, actions.TurnUp, nil, rat("1")); len(o.Problems) != 1 {
		t.Error("no terms, and nothing said")
	}
	early := window(t, "2026-05-03T12:00:00Z", "2026-05-03T13:00:00Z")
	if o := s.Outlook(early, actions.TurnUp, terms(nil), rat("1")); o.Baseline != nil || o.Likely != nil || len(o.Problems) == 0 {
		t.Errorf("an outlook without like days: %+v", o)
	}
}

// A battery emptied at 2 kW from 10:00 to 11:00 takes 2 kWh off the stretch from 08:00 to 11:00 before a window from 12:00
// to 13:00, and so with add 1/3 of that off the baseline of its hour; a turn-up gains as much. With scale, the like days use
// 3 kWh in the stretch and 1 kWh in the window, and the ratio 1/3 is capped at 0.8.
func TestLeadIn(t *testing.T) {
	data := series(t, time.UTC, "2026-05-01T00:00:00Z", "2026-06-17T00:00:00Z", 30, func(time.Time) int64 { return 500 })
	w := window(t, "2026-06-18T12:00:00Z", "2026-06-18T13:00:00Z")
	s := New(Books{Meter: data, Windows: []actions.Window{w}})
	emptied := []Change{{From: utcTime(t, "2026-06-18T10:00:00Z"), To: utcTime(t, "2026-06-18T11:00:00Z"), W: -2000},
		{From: utcTime(t, "2026-06-18T11:30:00Z"), To: utcTime(t, "2026-06-18T12:00:00Z"), W: -2000}} // after the stretch
	for _, c := range []struct {
		name                           string
		direction                      actions.Direction
		terms                          func(*actions.Terms)
		energy, baseline, gain, credit string
	}{
		{"add", actions.TurnUp, func(x *actions.Terms) { x.Adjust = "add" }, "-2.000000", "-0.666667", "0.666667", "0.163333"},
		{"add, turn-down", actions.TurnDown, func(x *actions.Terms) { x.Adjust = "add" }, "-2.000000", "-0.666667", "-0.666667", "-0.163333"},
		{"scale, capped", actions.TurnUp, func(x *actions.Terms) { x.Adjust = "scale" }, "-2.000000", "-0.200000", "0.200000", "0.049000"},
		{"scale, not capped", actions.TurnUp, func(x *actions.Terms) { x.Adjust, x.AdjustCap = "scale", 0.9 }, "-2.000000", "-0.666667", "0.666667", "0.163333"},
		{"only up", actions.TurnUp, func(x *actions.Terms) { x.Adjust, x.AdjustOnly = "add", "up" }, "-2.000000", "0.000000", "0.000000", "0.000000"},
		{"scale, too few like days", actions.TurnUp, func(x *actions.Terms) { x.Adjust, x.Fewest = "scale", 90 }, "-2.000000", "null", "null", "null"},
	} {
		i := s.LeadIn(w, c.direction, terms(c.terms), emptied)
		if i == nil || six(i.Energy) != c.energy || six(i.Baseline) != c.baseline || six(i.Gain) != c.gain || six(i.Credit) != c.credit {
			t.Errorf("%s: %+v", c.name, i)
		}
	}
	for name, none := range map[string]*Influence{
		"no adjustment":            s.LeadIn(w, actions.TurnUp, terms(nil), emptied),
		"nothing in the stretch":   s.LeadIn(w, actions.TurnUp, terms(func(x *actions.Terms) { x.Adjust = "add" }), emptied[1:]),
		"no terms":                 s.LeadIn(w, actions.TurnUp, nil, emptied),
		"a fixed baseline instead": s.LeadIn(w, actions.TurnUp, terms(func(x *actions.Terms) { x.Adjust, x.Fixed = "add", "1" }), emptied),
	} {
		if none != nil {
			t.Errorf("%s: %+v", name, none)
		}
	}
}

// The same figure as the settlement: with the change in the meter's data the baseline moves by what LeadIn said.
func TestLeadInAgreesWithSettlement(t *testing.T) {
	for _, adjust := range []string{"add", "scale"} {
		use := func(change int64) *meter.Series {
			return series(t, time.UTC, "2026-05-01T00:00:00Z", "2026-06-19T00:00:00Z", 30, func(l time.Time) int64 {
				if l.Day() == 18 && l.Month() == time.June && l.Hour() == 10 {
					return 500 + change
				}
				return 500
			})
		}
		w := window(t, "2026-06-18T12:00:00Z", "2026-06-18T13:00:00Z")
		x := terms(func(x *actions.Terms) { x.Adjust = adjust })
		before := New(Books{Meter: use(0)}).Window(w, actions.TurnUp, x)
		after := New(Books{Meter: use(-200)}).Window(w, actions.TurnUp, x)
		moved := new(big.Rat).Sub(after.Baseline, before.Baseline)
		said := New(Books{Meter: use(0)}).LeadIn(w, actions.TurnUp, x, []Change{{From: utcTime(t, "2026-06-18T10:00:00Z"), To: utcTime(t, "2026-06-18T11:00:00Z"), W: -400}})
		if said.Baseline.Cmp(moved) != 0 {
			t.Errorf("%s: said %s, moved %s", adjust, said.Baseline, moved)
		}
	}
}
