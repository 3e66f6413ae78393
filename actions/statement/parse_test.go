package statement

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"spillway/actions"
)

// The grammar is DESIGN section 4; the examples of section 3 stand first.
func TestParse(t *testing.T) {
	ref := func(d, p string) actions.Ref { return actions.Ref{Device: d, Point: p} }
	tests := map[string]Raw{
		"barn_battery.charge_power = 5000 W": {Point: ref("barn_battery", "charge_power"), Col: 1,
			Value: Operand{Col: 29, Quantity: Quantity{5000, "W"}}},
		"cylinder.boost = off from -2h": {Point: ref("cylinder", "boost"), Col: 1,
			Value: Operand{Col: 18, Name: "off"}, From: &Span{27, -2 * time.Hour}},
		"cylinder.boost = on for 25m": {Point: ref("cylinder", "boost"), Col: 1,
			Value: Operand{Col: 18, Name: "on"}, For: &Span{25, 25 * time.Minute}},
		"van.current = auto if van.plugged = yes": {Point: ref("van", "current"), Col: 1,
			Value: Operand{Col: 15, Name: "auto"},
			Guard: &RawGuard{Point: ref("van", "plugged"), Col: 23, Op: "=", Value: Operand{Col: 37, Name: "yes"}}},
		"a.b=5kW wait 30s if a.c<=-0.5 °C for 1h 30m from -1d": {Point: ref("a", "b"), Col: 1,
			Value: Operand{Col: 5, Quantity: Quantity{5, "kW"}},
			Wait:  &Span{14, 30 * time.Second}, For: &Span{38, 90 * time.Minute}, From: &Span{50, -24 * time.Hour},
			Guard: &RawGuard{Point: ref("a", "c"), Col: 21, Op: "<=", Value: Operand{Col: 26, Quantity: Quantity{-0.5, "°C"}}}},
		"  a.b = 80 %": {Point: ref("a", "b"), Col: 3, Value: Operand{Col: 9, Quantity: Quantity{80, "%"}}},
		"a.b = 7 for 25 min": {Point: ref("a", "b"), Col: 1,
			Value: Operand{Col: 7, Quantity: Quantity{7, ""}}, For: &Span{13, 25 * time.Minute}},
		"a.b = normal\u00a0for\u00a01h": {Point: ref("a", "b"), Col: 1,
			Value: Operand{Col: 7, Name: "normal"}, For: &Span{18, time.Hour}},
		"a.b = 21 degC": {Point: ref("a", "b"), Col: 1, Value: Operand{Col: 7, Quantity: Quantity{21, "°C"}}},
	}
	for text, want := range tests {
		t.Run(text, func(t *testing.T) {
			want.Text = strings.TrimSpace(text)
			got, err := Parse(text)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Error(d)
			}
		})
	}
}

func TestParseFaults(t *testing.T) {
	tests := map[string]string{
		"":                               "column 1: a point is missing: write device.point = value",
		"= on":                           "column 1: a point is missing: write device.point = value",
		"cylinder = on":                  `column 1: "cylinder" is no point: write device.point`,
		"a.b.c = on":                     `column 1: "a.b.c" is no point: write device.point`,
		"Barn.mode = on":                 `column 1: "Barn" is no name: names are lower case with underscores`,
		"büro.mode = on":                 `column 1: "büro" is no name: names are lower case with underscores`,
		"a.b on":                         "column 5: write = after a.b",
		"a.b":                            "column 4: write = after a.b",
		"a.b == on":                      "column 5: write = after a.b",
		"a.b =":                          "column 6: a value is missing after =",
		"a.b = = on":                     "column 7: a value is missing after =",
		"a.b = =":                        "column 7: a value is missing after =",
		"a.b = <":                        "column 7: a value is missing after =",
		"a.b = On":                       `column 7: "On" is neither a number nor a name: names are lower case with underscores`,
		"a.b = 5,000 W":                  `column 7: "5,000" has a comma: write a decimal point, and no mark between thousands`,
		"a.b = 5 kw":                     `column 7: "kw" is no unit: write kW`,
		"a.b = 55 C":                     `column 7: "C" is no unit: write °C`,
		"a.b = 1e3 W":                    `column 7: "e3" is no unit`,
		"a.b = 1.2.3 W":                  `column 7: "1.2.3" is no number`,
		"a.b = .5 W":                     `column 7: ".5" is no number`,
		"a.b = on till 3":                `column 10: "till" does not belong here: from OFFSET, for DURATION, wait DURATION or if device.point OP value`,
		"a.b = on = off":                 `column 10: "=" does not belong here: from OFFSET, for DURATION, wait DURATION or if device.point OP value`,
		"a.b = on for":                   "column 13: a duration is missing after for: for instance 25m",
		"a.b = on for 25":                `column 14: "25" needs its unit: write for instance "25s" or "25m"`,
		"a.b = on for soon":              `column 14: "soon" is no duration: write for instance 90s, 25m, 2h, 1h30m or 1d`,
		"a.b = on for for 1h":            "column 14: a duration is missing after for: for instance 25m",
		"a.b = on for 1h for 2h":         "column 17: for stands twice: once at most",
		"a.b = on if c.d = e if c.d = f": "column 21: if stands twice: once at most",
		"a.b = on from −2h":              `column 15: "−2h" is no duration: "−2" has a dash that is no minus: write -`,
		"a.b = on if c = d":              `column 13: "c" is no point: write device.point`,
		"a.b = on if c.d":                "column 16: write one of = != < <= > >= after c.d",
		"a.b = on if c.d is e":           "column 17: write one of = != < <= > >= after c.d",
		"a.b = on if c.d ≤ 5":            "column 17: write one of = != < <= > >= after c.d",
		"a.b = on if c.d <=":             "column 19: a value is missing after <=",
		"°.° = 1":                        `column 1: "°" is no name: names are lower case with underscores`,
	}
	for text, want := range tests {
		t.Run(text, func(t *testing.T) {
			_, err := Parse(text)
			if err == nil {
				t.Fatal("accepted")
			}
			if err.Error() != want {
				t.Errorf("got  %v\nwant %s", err, want)
			}
		})
	}
}

func TestErrorCaret(t *testing.T) {
	_, err := Parse("a.b = 5 kw")
	var e *Error
	if !errors.As(err, &e) {
		t.Fatalf("%T", err)
	}
	if want := "a.b = 5 kw\n      ^"; e.Caret() != want {
		t.Errorf("got\n%s\nwant\n%s", e.Caret(), want)
	}
}

// drawRaw makes any statement of the grammar.
func drawRaw(t *rapid.T) Raw {
	name := rapid.StringMatching(`[a-z][a-z0-9_]{0,8}`)
	ref := func() actions.Ref { return actions.Ref{Device: name.Draw(t, "device"), Point: name.Draw(t, "point")} }
	operand := func() Operand {
		if rapid.Bool().Draw(t, "named") {
			return Operand{Name: name.Draw(t, "name")}
		}
		unit := rapid.SampledFrom([]string{"", "A", "W", "kW", "°C", "K", "%", "L", "kWh", "m³", "rpm"}).Draw(t, "unit")
		return Operand{Quantity: Quantity{rapid.Float64Range(-largest, largest).Draw(t, "number") + 0, unit}}
	}
	span := func(what string) *Span {
		ms := rapid.Int64Range(-longest.Milliseconds(), longest.Milliseconds())
		if !rapid.Bool().Draw(t, what) {
			return nil
		}
		return &Span{Of: time.Duration(ms.Draw(t, what)) * time.Millisecond}
	}
	r := Raw{Point: ref(), Value: operand(), From: span("from"), For: span("for"), Wait: span("wait")}
	if rapid.Bool().Draw(t, "guard") {
		r.Guard = &RawGuard{Point: ref(), Op: rapid.SampledFrom([]string{"=", "!=", "<", "<=", ">", ">="}).Draw(t, "op"), Value: operand()}
	}
	return r
}

// withoutPlaces forgets what printing cannot keep.
func withoutPlaces(r Raw) Raw {
	r.Text, r.Col, r.Value.Col = "", 0, 0
	for _, s := range []**Span{&r.From, &r.For, &r.Wait} {
		if *s != nil {
			*s = &Span{Of: (*s).Of}
		}
	}
	if r.Guard != nil {
		g := *r.Guard
		g.Col, g.Value.Col = 0, 0
		r.Guard = &g
	}
	return r
}

// usual returns a statement in its usual form, which Parse reads as the same statement.
func usual(r Raw) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s = %s", r.Point, r.Value)
	for _, c := range []struct {
		word string
		span *Span
	}{{"from", r.From}, {"for", r.For}, {"wait", r.Wait}} {
		if c.span != nil {
			fmt.Fprintf(&b, " %s %s", c.word, FormatDuration(c.span.Of))
		}
	}
	if g := r.Guard; g != nil {
		fmt.Fprintf(&b, " if %s %s %s", g.Point, g.Op, g.Value)
	}
	return b.String()
}

func TestPrintedStatementReadsTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := drawRaw(t)
		text := usual(want)
		got, err := Parse(text)
		if len(text) > 0 && err != nil && tooLong(want) {
			return // more digits than a person writes
		}
		if err != nil {
			t.Fatalf("%s: %v", text, err)
		}
		if d := cmp.Diff(want, withoutPlaces(got)); d != "" {
			t.Fatalf("%s: %s", text, d)
		}
	})
}

func tooLong(r Raw) bool {
	long := func(o Operand) bool { return len(Quantity{Number: o.Quantity.Number}.String()) > 32 }
	return long(r.Value) || r.Guard != nil && long(r.Guard.Value)
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"a.b = 5 kW for 1h if c.d <= 3 °C", "a.b=on wait 3s from -2h", "a.b = \xff", "\u00a0a.b\u2028= 1"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		r, err := Parse(s)
		if err != nil {
			var e *Error
			if !errors.As(err, &e) || e.Col < 1 || e.Col > utf8.RuneCountInString(s)+1 || strings.Contains(e.What, "\n") {
				t.Fatalf("%q: column out of the line, or no one-line error: %v", s, err)
			}
			return
		}
		again, err := Parse(usual(r))
		if err != nil && !tooLong(r) {
			t.Fatalf("%q printed as %q does not read: %v", s, usual(r), err)
		}
		if err == nil && !cmp.Equal(withoutPlaces(r), withoutPlaces(again)) {
			t.Fatalf("%q printed as %q reads differently", s, usual(r))
		}
	})
}
