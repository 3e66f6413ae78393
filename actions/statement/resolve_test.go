package statement

import (
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"spillway/actions"
)

// premises are the points that the resolving tests speak of.
func premises() func(actions.Ref) *actions.Point {
	rw := &actions.Address{Topic: "x"}
	points := map[string]*actions.Point{
		"barn.power":   {Write: rw, Read: rw, Unit: "W", Min: 0, Max: 5000, HasRange: true},
		"barn.level":   {Read: rw, Unit: "%"},
		"barn.mode":    {Write: rw, Read: rw, Values: []actions.NamedValue{{Name: "charge"}, {Name: "idle"}}},
		"barn.cap":     {Write: rw, Read: rw, Unit: "W", Protects: true},
		"blind.switch": {Write: rw, Values: []actions.NamedValue{{Name: "off"}, {Name: "on"}}, Normal: actions.Named("off")},
		"pump.mode":    {Write: rw, Read: rw, Values: []actions.NamedValue{{Name: "auto"}, {Name: "normal"}}},
		"van.count":    {Write: rw, Read: rw},
	}
	for name, p := range points {
		p.Ref, _ = actions.ParseRef(name)
	}
	return func(r actions.Ref) *actions.Point { return points[r.String()] }
}

func TestResolve(t *testing.T) {
	power, mode := actions.Ref{Device: "barn", Point: "power"}, actions.Ref{Device: "barn", Point: "mode"}
	pump, level := actions.Ref{Device: "pump", Point: "mode"}, actions.Ref{Device: "barn", Point: "level"}
	tests := []struct {
		text  string
		phase actions.Phase
		want  actions.Statement
	}{
		{"barn.power = 3.6 kW", actions.PhaseDuring, actions.Statement{Point: power, Want: actions.Want{Value: actions.Number(3600)}}},
		{"barn.power = auto", actions.PhaseDuring, actions.Statement{Point: power, Want: actions.Want{Auto: true}}},
		{"barn.mode = normal for 1h", actions.PhaseDuring,
			actions.Statement{Point: mode, Want: actions.Want{Normal: true}, For: time.Hour}},
		{"barn.mode = idle from -2h wait 5s", actions.PhaseLeadIn,
			actions.Statement{Point: mode, Want: actions.Want{Value: actions.Named("idle")}, From: -2 * time.Hour, HasFrom: true, Wait: 5 * time.Second}},
		{"barn.mode = idle from 0s", actions.PhaseLeadIn,
			actions.Statement{Point: mode, Want: actions.Want{Value: actions.Named("idle")}, HasFrom: true}},
		{"barn.mode = idle if barn.level < 80", actions.PhaseDuring,
			actions.Statement{Point: mode, Want: actions.Want{Value: actions.Named("idle")},
				Guard: &actions.Guard{Point: level, Op: "<", Value: actions.Number(80)}}},
		{"barn.mode = idle if barn.power > 2 kW", actions.PhaseDuring,
			actions.Statement{Point: mode, Want: actions.Want{Value: actions.Named("idle")},
				Guard: &actions.Guard{Point: power, Op: ">", Value: actions.Number(2000)}}},
		// A value of that name wins over the planner's word.
		{"pump.mode = auto", actions.PhaseDuring, actions.Statement{Point: pump, Want: actions.Want{Value: actions.Named("auto")}}},
		{"pump.mode = normal", actions.PhaseRestore, actions.Statement{Point: pump, Want: actions.Want{Value: actions.Named("normal")}}},
	}
	for _, tt := range tests {
		t.Run(tt.text, func(t *testing.T) {
			raw, err := Parse(tt.text)
			if err != nil {
				t.Fatal(err)
			}
			got, err := Resolve(raw, tt.phase, premises())
			if err != nil {
				t.Fatal(err)
			}
			tt.want.Text = tt.text
			if d := cmp.Diff(tt.want, got); d != "" {
				t.Error(d)
			}
		})
	}
}

func TestResolveFaults(t *testing.T) {
	lead, during, restore := actions.PhaseLeadIn, actions.PhaseDuring, actions.PhaseRestore
	tests := []struct {
		text  string
		phase actions.Phase
		want  string
	}{
		{"barn.powr = 5 W", during, "column 1: there is no point barn.powr"},
		{"barn.level = 5", during, "column 1: barn.level cannot be written: it has no write"},
		{"barn.cap = 5 W", during, "column 1: barn.cap protects and is never held"},
		{"barn.power = 6 kW", during, "column 14: 6 kW is outside the range of barn.power: 0 W to 5000 W"},
		{"barn.power = 5000", during, `column 14: 5000 needs its unit: write "5000 W"`},
		{"barn.power = 5 A", during, `column 14: "5 A" is a current: write a power, in W, kW, MW`},
		{"barn.power = full", during, `column 14: "full" is no value of barn.power: it takes a number in W`},
		{"barn.mode = charg", during, `column 13: "charg" is no value of barn.mode: charge, idle`},
		{"barn.mode = 5 W", during, `column 13: "5 W" is no value of barn.mode: charge, idle`},
		{"van.count = 5 W", during, `column 13: "5 W" has a unit where none belongs: write 5`},
		{"barn.mode = idle from -2h", during, "column 23: from belongs to lead_in statements only"},
		{"barn.mode = idle from 2h", lead, "column 23: a lead-in comes before the window's start: write from -2h"},
		{"barn.mode = idle for 0s", during, "column 22: for 0s is no time at all: write a duration above zero"},
		{"barn.mode = idle for -1h", during, "column 22: for -1h is no time at all: write a duration above zero"},
		{"barn.mode = idle wait -1h", during, "column 23: a wait is zero or longer"},
		{"barn.mode = idle for 1h", restore, "column 22: a restore value stays: it takes no for"},
		{"barn.mode = auto", restore, "column 13: auto has no meaning after a window: write the value to go back to"},
		{"barn.mode = idle if barn.level < 5", restore, "column 21: a restore value takes no if"},
		{"barn.mode = idle if barn.lvl < 5", during, "column 21: there is no point barn.lvl"},
		{"barn.mode = idle if blind.switch = on", during, "column 21: blind.switch cannot be read: it has no read"},
		{"barn.mode = idle if barn.mode < charge", during, "column 33: barn.mode takes names, which have no order: write = or !="},
		{"barn.mode = idle if barn.mode = auto", during, `column 33: "auto" is no value of barn.mode: charge, idle`},
	}
	for _, tt := range tests {
		t.Run(tt.text, func(t *testing.T) {
			raw, err := Parse(tt.text)
			if err != nil {
				t.Fatal(err)
			}
			_, err = Resolve(raw, tt.phase, premises())
			var e *Error
			if !errors.As(err, &e) || err.Error() != tt.want {
				t.Errorf("got  %v\nwant %s", err, tt.want)
			}
		})
	}
}

func TestParseValue(t *testing.T) {
	lookup := premises()
	for _, tt := range []struct {
		point, text string
		want        actions.Value
	}{
		{"barn.power", "5 kW", actions.Number(5000)},
		{"barn.level", "80", actions.Number(80)},
		{"barn.mode", " idle ", actions.Named("idle")},
	} {
		ref, _ := actions.ParseRef(tt.point)
		if got, err := ParseValue(tt.text, lookup(ref)); err != nil || got != tt.want {
			t.Errorf("%s %s = %v, %v", tt.point, tt.text, got, err)
		}
	}
	ref, _ := actions.ParseRef("barn.mode")
	if _, err := ParseValue("full", lookup(ref)); err == nil {
		t.Error("a value that the point does not have was accepted")
	}
}

func TestParseDescription(t *testing.T) {
	text := "Free power for the parish!\r\nskip van\nSkip Cylinder.\n  barn.mode = charge for 1h\nbarn.mode = \n" +
		"see parish.example for more\nskip window\nskip the van please\nwww.example.com/a=b\nbarn.power = 5 kW if barn.level < 80 %"
	d := ParseDescription(text)
	var statements, problems []string
	for _, s := range d.Statements {
		statements = append(statements, usual(s))
	}
	for _, p := range d.Problems {
		problems = append(problems, p.Error())
	}
	if !d.SkipWindow {
		t.Error("skip window was not seen")
	}
	if diff := cmp.Diff([]string{"van", "cylinder"}, d.SkipDevices); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff([]string{"barn.mode = charge for 1h", "barn.power = 5 kW if barn.level < 80 %"}, statements); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff([]string{
		"line 5, column 12: a value is missing after =",
		"line 8, column 1: write skip WINDOW or skip DEVICE, one device a line",
	}, problems); diff != "" {
		t.Error(diff)
	}
}

// Some calendar programs hand out descriptions as HTML (common practice, no source).
func TestParseDescriptionOfHTML(t *testing.T) {
	d := ParseDescription(`<p>Hello <b>all</b></p>skip&nbsp;van<br>barn.mode = idle if barn.level &lt; 80 %<br/>`)
	if len(d.SkipDevices) != 1 || d.SkipDevices[0] != "van" || len(d.Statements) != 1 || len(d.Problems) != 0 {
		t.Errorf("got %+v", d)
	}
	plain := ParseDescription("barn.mode = idle if barn.level < 80 %")
	if len(plain.Statements) != 1 {
		t.Errorf("a guard's < was taken for a mark: %+v", plain)
	}
}

func FuzzParseDescription(f *testing.F) {
	f.Add("skip van\na.b = 1\n<br>a.b = <")
	f.Fuzz(func(t *testing.T, s string) {
		for _, p := range ParseDescription(s).Problems {
			if p.Line < 1 || p.Err.Col < 1 {
				t.Fatalf("%q: %v", s, p)
			}
		}
	})
}
