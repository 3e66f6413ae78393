package link_test

import (
	"encoding/json"
	"errors"
	"math"
	"net/url"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"spillway/actions"
	"spillway/actions/link"
)

var (
	boost = &actions.Point{
		Ref:    actions.Ref{Device: "cylinder", Point: "boost"},
		Values: []actions.NamedValue{{Name: "off", Wire: false}, {Name: "on", Wire: true}},
	}
	mode = &actions.Point{
		Ref: actions.Ref{Device: "barn_battery", Point: "mode"},
		Values: []actions.NamedValue{
			{Name: "charge", Wire: int64(2)}, {Name: "idle", Wire: "idle"}, {Name: "odd", Wire: "-x\"\r\n/ü"}, {Name: "own_use", Wire: 1.5},
		},
	}
	power = &actions.Point{
		Ref:  actions.Ref{Device: "barn_battery", Point: "charge_power"},
		Unit: "W", HasRange: true, Min: -100, Max: 5000,
	}
	level = &actions.Point{Ref: actions.Ref{Device: "barn_battery", Point: "level"}, Unit: "%"}
)

func TestWire(t *testing.T) {
	tests := []struct {
		name  string
		point *actions.Point
		value actions.Value
		want  any // nil: impossible
		text  string
	}{
		{"bool", boost, actions.Named("on"), true, "true"},
		{"integer", mode, actions.Named("charge"), int64(2), "2"},
		{"fraction", mode, actions.Named("own_use"), 1.5, "1.5"},
		{"string", mode, actions.Named("idle"), "idle", "idle"},
		{"number", power, actions.Number(5000), 5000.0, "5000"},
		{"shortest decimal", level, actions.Number(0.1), 0.1, "0.1"},
		{"no exponent", level, actions.Number(1e-7), 1e-7, "0.0000001"},
		{"no negative zero", level, actions.Number(math.Copysign(0, -1)), 0.0, "0"},
		{"unknown", power, actions.Value{}, nil, ""},
		{"no such name", boost, actions.Named("half"), nil, ""},
		{"a name for a number", power, actions.Named("on"), nil, ""},
		{"a number for a name", boost, actions.Number(1), nil, ""},
		{"above the range", power, actions.Number(5000.5), nil, ""},
		{"below the range", power, actions.Number(-101), nil, ""},
		{"no number", level, actions.Number(math.NaN()), nil, ""},
		{"no end", level, actions.Number(math.Inf(1)), nil, ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := link.Wire(tt.point, tt.value)
			if tt.want == nil {
				if link.ClassOf(err) != link.Impossible {
					t.Errorf("got %v, %v, want an error of class impossible", got, err)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Error(diff)
			}
			if text := link.Text(got); text != tt.text {
				t.Errorf("text %q, want %q", text, tt.text)
			}
		})
	}
}

func TestDecode(t *testing.T) {
	long := `{"level": "` + strings.Repeat("é", 500) + `"}`
	tests := []struct {
		name  string
		point *actions.Point
		pick  string
		in    string
		want  actions.Value // unknown: rubbish
	}{
		{"bool text", boost, "", "true", actions.Named("on")},
		{"space around", boost, "", " false\r\n", actions.Named("off")},
		{"byte order mark", boost, "", "\ufefftrue", actions.Named("on")},
		{"quotes around", mode, "", `"idle"`, actions.Named("idle")},
		{"number text", level, "", "87.50", actions.Number(87.5)},
		{"number with plus", level, "", "+4", actions.Number(4)},
		{"number in quotes", level, "", `"12"`, actions.Number(12)},
		{"exponent", level, "", "1.2e1", actions.Number(12)},
		{"negative zero", level, "", "-0", actions.Number(0)},
		{"integer wire form as a fraction", mode, "", "2.0", actions.Named("charge")},
		{"case counts", boost, "", "TRUE", actions.Value{}},
		{"no such name", mode, "", "boost", actions.Value{}},
		{"nothing", level, "", "", actions.Value{}},
		{"nothing for a name", mode, "", "", actions.Value{}},
		{"hexadecimal", level, "", "0x10", actions.Value{}},
		{"infinite", level, "", "inf", actions.Value{}},
		{"not a number", level, "", "NaN", actions.Value{}},
		{"too large", level, "", "1e999", actions.Value{}},
		{"comma", level, "", "1,5", actions.Value{}},
		{"underscore", level, "", "1_000", actions.Value{}},
		{"page", level, "", "<!doctype html><html>", actions.Value{}},
		{"document without pick", level, "", `{"level": 3}`, actions.Value{}},

		{"picked number", level, "$.level", `{"level": 87.5}`, actions.Number(87.5)},
		{"picked number as text", level, "$.level", `{"level": " 87.5 "}`, actions.Number(87.5)},
		{"picked bool", boost, "$.boost", `{"boost": true}`, actions.Named("on")},
		{"picked bool as text", boost, "$.boost", `{"boost": "true"}`, actions.Named("on")},
		{"picked integer", mode, "$['m']", `{"m": 2}`, actions.Named("charge")},
		{"filter", level, `$.rows[?@.n=="b"].v`, `{"rows":[{"n":"a","v":1},{"n":"b","v":2}]}`, actions.Number(2)},
		{"the document itself", level, "$", `3`, actions.Number(3)},
		{"picked nothing", level, "$.level", `{"other": 1}`, actions.Value{}},
		{"picked too much", level, "$[*]", `[1, 2]`, actions.Value{}},
		{"picked null", level, "$.level", `{"level": null}`, actions.Value{}},
		{"picked object", level, "$.level", `{"level": {"now": 3}}`, actions.Value{}},
		{"bool is no number", level, "$.level", `{"level": true}`, actions.Value{}},
		{"cut off", level, "$.level", `{"level": 8`, actions.Value{}},
		{"two documents", level, "$.level", `{"level": 8} {}`, actions.Value{}},
		{"long", level, "$.level", long, actions.Value{}},
		{"long without pick", level, "", long, actions.Value{}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			d, err := link.NewDecoder(tt.point, tt.pick)
			if err != nil {
				t.Fatal(err)
			}
			got, err := d.Decode([]byte(tt.in))
			if got != tt.want {
				t.Errorf("got %v, %v, want %v", got, err, tt.want)
			}
			checkRubbish(t, got, err)
		})
	}
}

// What cannot be read says what to write where that can be known.
func TestDecodeSaysWhatToWrite(t *testing.T) {
	tests := []struct {
		point    *actions.Point
		pick, in string
		want     string // how the message ends
	}{
		{boost, "", "TRUE", `; letter case counts: say what is sent for each name, as values = { on = "TRUE", ... }`},
		{boost, "$.b", `{"b": "False"}`, `; letter case counts: say what is sent for each name, as values = { off = "False", ... }`},
		{boost, "", "maybe", "none of off = false, on = true"},
		{boost, "", `{"quality": 7, "state": false, "name": "tank"}`, `so it needs a pick, such as pick = "$.state"`},
		{boost, "", `{"state": "TRUE"}`, `so it needs a pick, such as pick = "$.state"`},
		{boost, "", `{"left": true, "right": true}`, "so it needs a pick"},
		{boost, "", `{"a b": true}`, "so it needs a pick"},
		{level, "", `{"level": 87.5, "unit": "%"}`, `so it needs a pick, such as pick = "$.level"`},
		{level, "", `{}`, "so it needs a pick"},
	}
	for _, tt := range tests {
		d, err := link.NewDecoder(tt.point, tt.pick)
		if err != nil {
			t.Fatal(err)
		}
		v, err := d.Decode([]byte(tt.in))
		checkRubbish(t, v, err)
		if err == nil || !strings.HasSuffix(err.Error(), tt.want) {
			t.Errorf("%s from %s: %v, want it to end in %s", tt.point.Ref, tt.in, err, tt.want)
		}
	}
}

// checkRubbish fails unless exactly one of value and error is there, and the error is one readable line.
func checkRubbish(t interface{ Errorf(string, ...any) }, v actions.Value, err error) {
	if v.Known {
		if err != nil {
			t.Errorf("both %v and %v", v, err)
		}
		return
	}
	if link.ClassOf(err) != link.Rubbish {
		t.Errorf("error %v is not of class rubbish", err)
		return
	}
	if s := err.Error(); len(s) > 600 || strings.ContainsAny(s, "\r\n\x00") || !utf8.ValidString(s) {
		t.Errorf("not one short line: %d bytes, %q", len(s), s)
	}
}

func TestNewDecoderRefusesBadPick(t *testing.T) {
	for _, pick := range []string{"level", "$.", "$[", "$..", "$.a b"} {
		if _, err := link.NewDecoder(level, pick); link.ClassOf(err) != link.Impossible {
			t.Errorf("pick %q: %v, want an error of class impossible", pick, err)
		}
	}
}

func TestFromNumber(t *testing.T) {
	tests := []struct {
		point *actions.Point
		in    float64
		want  actions.Value
	}{
		{boost, 1, actions.Named("on")},
		{boost, 0, actions.Named("off")},
		{boost, 2, actions.Value{}},
		{mode, 2, actions.Named("charge")},
		{mode, 1.5, actions.Named("own_use")},
		{level, -7.25, actions.Number(-7.25)},
		{level, math.NaN(), actions.Value{}},
	}
	for _, tt := range tests {
		d, err := link.NewDecoder(tt.point, "")
		if err != nil {
			t.Fatal(err)
		}
		got, err := d.FromNumber(tt.in)
		if got != tt.want {
			t.Errorf("%s from %v: got %v, %v, want %v", tt.point.Ref, tt.in, got, err, tt.want)
		}
		checkRubbish(t, got, err)
	}
}

// What is written can be read back, as text and as JSON.
func TestWireRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.SampledFrom([]*actions.Point{boost, mode, level}).Draw(t, "point")
		v := actions.Number(rapid.Float64().Filter(func(x float64) bool { return len(link.Text(x)) <= 64 }).Draw(t, "number"))
		if len(p.Values) > 0 {
			v = actions.Named(rapid.SampledFrom(p.Values).Draw(t, "name").Name)
		}
		for _, form := range []struct{ body, pick string }{
			{"", ""}, {`{"x": [{value}]}`, "$.x[0]"}, {`{"x": "{value}"}`, "$.x"}, {`{"x": "a\\{value}", "y": {value}}`, "$.y"},
		} {
			if form.pick == "" && v.Name == "odd" {
				continue // its line break is space around a text
			}
			body, err := link.Body(p, v, form.body, false)
			if err != nil {
				t.Fatal(err)
			}
			d, err := link.NewDecoder(p, form.pick)
			if err != nil {
				t.Fatal(err)
			}
			got, err := d.Decode([]byte(body))
			if err != nil || !got.Near(v, actions.Tolerance{}) {
				t.Fatalf("wrote %v as %q, read %v, %v", v, body, got, err)
			}
		}
	})
}

func TestRender(t *testing.T) {
	body := func(form bool) func(*actions.Point, actions.Value, string) (string, error) {
		return func(p *actions.Point, v actions.Value, s string) (string, error) { return link.Body(p, v, s, form) }
	}
	tests := []struct {
		name     string
		render   func(*actions.Point, actions.Value, string) (string, error)
		point    *actions.Point
		value    actions.Value
		template string
		want     string // "!": impossible
	}{
		{"bare", body(false), boost, actions.Named("on"), "", "true"},
		{"alone", body(false), mode, actions.Named("idle"), "{value}", "idle"},
		{"alone with space", body(false), mode, actions.Named("idle"), " {value}\n", " idle\n"},
		{"JSON bare bool", body(false), boost, actions.Named("on"), `{"on": {value}}`, `{"on": true}`},
		{"JSON bare number", body(false), power, actions.Number(2500.5), `[{value}]`, `[2500.5]`},
		{"JSON bare string", body(false), mode, actions.Named("idle"), `{"m":{value}}`, `{"m":"idle"}`},
		{"JSON quoted string", body(false), mode, actions.Named("idle"), `{"m":"{value}"}`, `{"m":"idle"}`},
		{"JSON escaped", body(false), mode, actions.Named("odd"), `{"m":"<{value}>"}`, `{"m":"<-x\"\r\n/ü>"}`},
		{"JSON bare escaped", body(false), mode, actions.Named("odd"), `{"m":{value}}`, `{"m":"-x\"\r\n/ü"}`},
		{"JSON after an escaped quote", body(false), mode, actions.Named("idle"), `{"a\"":"{value}","b":{value}}`, `{"a\"":"idle","b":"idle"}`},
		{"JSON key", body(false), mode, actions.Named("idle"), `{"{value}":1}`, `{"idle":1}`},
		{"not JSON", body(false), mode, actions.Named("odd"), `{mode {value}`, "{mode -x\"\r\n/ü"},
		{"plain", body(false), power, actions.Number(100), "power={value};", "power=100;"},
		{"form", body(true), mode, actions.Named("odd"), "mode={value}&now=1", "mode=-x%22%0D%0A%2F%C3%BC&now=1"},
		{"no such name", body(false), mode, actions.Named("half"), "{value}", "!"},

		{"path", link.Path, mode, actions.Named("odd"), "set/{value}/now?m={value}", "set/-x%22%0D%0A%2F%C3%BC/now?m=-x%22%0D%0A%2F%C3%BC"},
		{"path number", link.Path, power, actions.Number(-1.5), "set/{value}", "set/-1.5"},

		{"header", link.Header, power, actions.Number(7), "W {value}", "W 7"},
		{"header without value", link.Header, power, actions.Value{}, "yes", "yes"},
		{"header with line break", link.Header, mode, actions.Named("odd"), "{value}", "!"},

		{"argument", link.Arg, power, actions.Number(7), "{value}", "7"},
		{"argument without value", link.Arg, power, actions.Value{}, "--now", "--now"},
		{"argument like an option", link.Arg, power, actions.Number(-7), "{value}W", "!"},
		{"option with negative value", link.Arg, power, actions.Number(-7), "--power={value}", "--power=-7"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			got, err := tt.render(tt.point, tt.value, tt.template)
			if tt.want == "!" {
				if link.ClassOf(err) != link.Impossible {
					t.Errorf("got %q, %v, want an error of class impossible", got, err)
				}
				return
			}
			if err != nil || got != tt.want {
				t.Errorf("got %q, %v, want %q", got, err, tt.want)
			}
		})
	}
}

func TestPathRefusesDots(t *testing.T) {
	p := &actions.Point{Values: []actions.NamedValue{{Name: "up", Wire: ".."}, {Name: "here", Wire: "."}}}
	for _, name := range []string{"up", "here"} {
		if got, err := link.Path(p, actions.Named(name), "set/{value}"); link.ClassOf(err) != link.Impossible {
			t.Errorf("got %q, %v, want an error of class impossible", got, err)
		}
	}
}

func TestIsJSON(t *testing.T) {
	for template, want := range map[string]bool{
		`{"on": {value}}`: true, ` ["{value}"]`: true, `"{value}"`: true, `{}`: true,
		"{value}": false, " {value} ": false, "": false, "5": false, "on={value}": false, "{on}": false, `{"on": {value}`: false,
	} {
		if got := link.IsJSON(template); got != want {
			t.Errorf("IsJSON(%q) = %v", template, got)
		}
	}
}

func TestSample(t *testing.T) {
	for in, want := range map[string]string{
		"": "nothing", "a\nb": `"a\nb"`, "\xff": `"\xff"`,
		strings.Repeat("a", 61):       `"` + strings.Repeat("a", 60) + `"... (61 bytes)`,
		"a" + strings.Repeat("é", 40): `"a` + strings.Repeat("é", 29) + `"... (81 bytes)`,
	} {
		if got := link.Sample([]byte(in)); got != want {
			t.Errorf("Sample(%q) = %s, want %s", in, got, want)
		}
	}
}

func TestErrorsAreOneShortLine(t *testing.T) {
	err := &link.Error{Class: link.Unknown, What: "read\r\n\x00x", Err: errors.New(strings.Repeat("é\n\xff", 1000))}
	s := err.Error()
	if len(s) > 600 || !strings.HasPrefix(s, "no answer: read   x: é \ufffdé ") || !strings.HasSuffix(s, "...") || !utf8.ValidString(s) {
		t.Errorf("%d bytes: %q", len(s), s)
	}
}

func TestErrorsUnwrap(t *testing.T) {
	cause := errors.New("cause")
	err := error(&link.Error{Class: link.Refused, What: "write", Err: cause})
	if !errors.Is(err, cause) || link.ClassOf(err) != link.Refused || link.ClassOf(cause) != link.Unknown {
		t.Errorf("class or cause of %v is lost", err)
	}
}

func FuzzDecode(f *testing.F) {
	for _, s := range []string{"true", `{"a":{"b":[1,"2",null]}}`, "87.5", `"on"`, "\x00\xff", "[[[[", "-0", `{"a":1e400}`} {
		f.Add([]byte(s), "$..b")
		f.Add([]byte(s), "")
	}
	f.Add([]byte(`[{"v":1}]`), `$[?match(@.v, "a+")]`)
	f.Fuzz(func(t *testing.T, b []byte, pick string) {
		for _, p := range []*actions.Point{boost, mode, power, level} {
			d, err := link.NewDecoder(p, pick)
			if err != nil {
				return
			}
			v, err := d.Decode(b)
			if len(pick) < 100 {
				checkRubbish(t, v, err)
			}
			if v.Known && v.Name == "" && (math.IsNaN(v.Number) || math.IsInf(v.Number, 0)) {
				t.Errorf("%q reads as %v", b, v.Number)
			}
		}
	})
}

// Whatever the wire form, a JSON body stays JSON, a path keeps its segments and a header its line.
func FuzzRender(f *testing.F) {
	f.Add("on", `{"a":"{value}","b":{value}}`)
	f.Add("a\"b\\c\n", `["{value}"]`)
	f.Add("../x?y#z", "set/{value}")
	f.Fuzz(func(t *testing.T, wire, template string) {
		p := &actions.Point{Values: []actions.NamedValue{{Name: "v", Wire: wire}}}
		body, err := link.Body(p, actions.Named("v"), template, false)
		if err != nil {
			t.Fatal(err)
		}
		if link.IsJSON(template) && !json.Valid([]byte(body)) {
			t.Errorf("%q with %q is no JSON: %q", template, wire, body)
		}
		path, err := link.Path(p, actions.Named("v"), "a/{value}/b")
		if err != nil {
			return // dots
		}
		if u, err := url.Parse("http://host/" + path); err != nil || u.Path != "/a/"+wire+"/b" || u.RawQuery != "" || u.Fragment != "" {
			t.Errorf("%q leads to %v, %v", path, u, err)
		}
		if h, err := link.Header(p, actions.Named("v"), "{value}"); err == nil && strings.ContainsAny(h, "\r\n\x00") {
			t.Errorf("header %q", h)
		}
		if a, err := link.Arg(p, actions.Named("v"), "{value}"); err == nil && (strings.HasPrefix(a, "-") || strings.Contains(a, "\x00")) {
			t.Errorf("argument %q", a)
		}
	})
}
