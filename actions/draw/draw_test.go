package draw_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"spillway/actions"
	"spillway/actions/draw"
)

func TestMain(m *testing.M) {
	flag.Bool("update", false, "write the golden files")
	flag.Parse()
	os.Exit(m.Run())
}

// The golden files are looked at in a browser when they change, in both schemes; -update writes them.
func TestSVG(t *testing.T) {
	active, log := underway()
	premises3 := premises(t)
	premises3.Supply.Phases = 3
	for _, c := range []struct {
		name     string
		plan     *actions.Plan
		premises *actions.Premises
		opt      draw.Options
	}{
		{"surplus-1100", surplus(), premises(t), draw.Options{}},
		{"surplus-390", surplus(), premises(t), draw.Options{Width: 390}},
		{"underway-1100", active, premises(t), draw.Options{Log: log, Now: at(13, 10, 0)}},
		{"underway-390", active, premises(t), draw.Options{Log: log, Now: at(13, 10, 0), Width: 390}},
		{"evening-1100", evening(), premises3, draw.Options{}},
		{"evening-390", evening(), premises3, draw.Options{Width: 390}},
		{"bare-700", surplus(), premises(t), draw.Options{Width: 700, Bare: true, NoStyle: true, ID: "next"}},
		{"none", &actions.Plan{}, premises(t), draw.Options{Width: 390}},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := draw.SVG(c.plan, c.premises, c.opt)
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

// wellFormed checks what holds for every drawing: it is XML, names itself for those who listen (WAI-ARIA 1.2 6.6.5), each
// id is there once and each reference leads somewhere.
func wellFormed(t interface {
	Helper()
	Fatalf(string, ...any)
}, svg []byte) {
	t.Helper()
	ids, refs, texts := map[string]int{}, []string{}, 0
	dec := xml.NewDecoder(bytes.NewReader(svg))
	for {
		tok, err := dec.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("not well-formed: %v", err)
		}
		e, ok := tok.(xml.StartElement)
		if !ok {
			continue
		}
		if e.Name.Local == "text" {
			texts++
		}
		for _, a := range e.Attr {
			switch {
			case a.Name.Local == "id":
				ids[a.Value]++
			case a.Name.Local == "aria-labelledby":
				refs = append(refs, strings.Fields(a.Value)...)
			case strings.HasPrefix(a.Value, "url(#"):
				refs = append(refs, strings.TrimSuffix(strings.TrimPrefix(a.Value, "url(#"), ")"))
			case a.Name.Local == "style", strings.HasPrefix(a.Name.Local, "on"):
				t.Fatalf("attribute %s on %s", a.Name.Local, e.Name.Local)
			}
			if strings.Contains(a.Value, "NaN") || strings.Contains(a.Value, "Inf") {
				t.Fatalf("%s of %s is %q", a.Name.Local, e.Name.Local, a.Value)
			}
		}
	}
	for id, n := range ids {
		if n != 1 {
			t.Fatalf("id %s is there %d times", id, n)
		}
	}
	for _, r := range refs {
		if ids[r] == 0 {
			t.Fatalf("nothing has the id %s", r)
		}
	}
	if len(refs) < 2 || texts == 0 {
		t.Fatalf("%d references, %d texts", len(refs), texts)
	}
}

// Titles come from calendars that others write.
func TestEscapes(t *testing.T) {
	const evil = "</text><script>alert(1)</script>\x00\x1b\"'&<img onerror=x>"
	p := surplus()
	p.Windows[0].Title = evil
	p.Windows[0].Problems = []string{evil}
	p.Steps[0].Why = evil
	got := draw.SVG(p, premises(t), draw.Options{})
	for _, bad := range []string{"<script", "<img", "\x00", "\x1b"} {
		if bytes.Contains(got, []byte(bad)) {
			t.Errorf("the drawing holds %q", bad)
		}
	}
	wellFormed(t, got)
}

func TestOptions(t *testing.T) {
	for _, c := range []struct {
		name       string
		opt        draw.Options
		has, hasnt string
	}{
		{"all windows that are ahead", draw.Options{}, "Night rate", "no window"},
		{"one panel", draw.Options{Most: 1}, "Use less", "Night rate"},
		{"a window by id", draw.Options{Windows: []string{"w3"}}, "Night rate", "Use less"},
		{"a window nobody knows", draw.Options{Windows: []string{"w9"}}, "No window is planned", "Use less"},
		{"now outside", draw.Options{Now: at(9, 0, 0)}, "Use less", "now 09:00"},
		{"now inside", draw.Options{Now: at(17, 10, 0)}, "now 17:10", "no window"},
		{"another zone", draw.Options{Zone: time.UTC}, "16:00 to 17:30", "17:00 to 18:30"},
	} {
		got := string(draw.SVG(evening(), premises(t), c.opt))
		if !strings.Contains(got, c.has) || strings.Contains(got, c.hasnt) {
			t.Errorf("%s: has %q: %v, has %q: %v", c.name, c.has, strings.Contains(got, c.has), c.hasnt, strings.Contains(got, c.hasnt))
		}
	}
	p := surplus()
	p.Windows[0].State = actions.Completed
	if got := string(draw.SVG(p, premises(t), draw.Options{})); !strings.Contains(got, "No window is planned") {
		t.Error("a window that is over is drawn without being asked for")
	}
}

// Whoever sets the schedule in words beside a bare drawing needs its numbers.
func TestSchedules(t *testing.T) {
	plan, log := underway()
	opt := draw.Options{Log: log, Now: at(13, 10, 0)}
	text := string(draw.SVG(plan, premises(t), opt))
	lists := draw.Schedules(plan, premises(t), opt)
	if len(lists) != 1 || len(lists[0]) == 0 {
		t.Fatalf("%d schedules, want the one panel's", len(lists))
	}
	number := func(i int) string { return fmt.Sprintf(">%d</text>", i+1) }
	rest := text[strings.LastIndex(text, number(0)):] // the drawing's own schedule is its last part
	for i, l := range lists[0] {
		_, row, _ := strings.Cut(rest, number(i))
		rest = row
		row, _, _ = strings.Cut(row, number(i+1))
		if words := premises(t).SayStep(l.Step); !strings.Contains(row, ">"+words) {
			t.Errorf("beside number %d the drawing has not %q but %q", i+1, words, row)
		}
	}
}

// The night of 25 October 2026 has two hours from one to two (IANA: Europe/London). Both are marked.
func TestAxisOverClockChange(t *testing.T) {
	start := time.Date(2026, 10, 24, 23, 30, 0, 0, time.UTC) // 00:30 by the summer clock
	end := start.Add(4 * time.Hour)
	p := &actions.Plan{At: start, Windows: []actions.PlannedWindow{{Window: actions.Window{ID: "w", Title: "Night rate", Start: start, End: end}, LeadIn: start, Done: end}}}
	got := string(draw.SVG(p, premises(t), draw.Options{Width: 700}))
	if n := strings.Count(got, ">01:00<"); n != 2 {
		t.Errorf("01:00 is marked %d times", n)
	}
}

// Whatever the plan, the drawing is well-formed, holds no NaN, and is the same again.
func TestAnyPlan(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		span := func(label string) time.Duration {
			return time.Duration(rapid.IntRange(0, 200_000).Draw(t, label)) * time.Second
		}
		p := &actions.Plan{At: at(0, 0, 0)}
		for i := range rapid.IntRange(0, 4).Draw(t, "windows") {
			w := actions.PlannedWindow{Window: actions.Window{ID: "w" + string(rune('0'+i)), Title: rapid.String().Draw(t, "title")}}
			w.LeadIn = at(0, 0, 0).Add(span("lead"))
			w.Start = w.LeadIn.Add(span("start"))
			w.End = w.Start.Add(span("end"))
			w.Done = w.End.Add(span("done"))
			w.LimitKW = float64(rapid.IntRange(0, 20).Draw(t, "limit"))
			p.Windows = append(p.Windows, w)
		}
		for i := range rapid.IntRange(0, 8).Draw(t, "steps") {
			p.Steps = append(p.Steps, actions.Step{
				ID: "s" + string(rune('0'+i)), Window: rapid.SampledFrom([]string{"w0", "w1", "w9"}).Draw(t, "window"), At: at(0, 0, 0).Add(span("at")),
				Point: rapid.SampledFrom([]actions.Ref{ref("van.current"), ref("cylinder.boost"), ref("gone.x")}).Draw(t, "point"),
				Value: rapid.SampledFrom([]actions.Value{{}, actions.Number(-3), actions.Number(0), actions.Number(1e9), actions.Named("on"), actions.Named("?<")}).Draw(t, "value"),
				Why:   rapid.String().Draw(t, "why"), Release: rapid.Bool().Draw(t, "release"),
			})
		}
		for range rapid.IntRange(0, 6).Draw(t, "slices") {
			from := at(0, 0, 0).Add(span("from"))
			p.Profile = append(p.Profile, slice(from, from.Add(span("to")), rapid.SampledFrom([]string{"", "van", "a", "b", "c", "d", "e", "f", "g"}).Draw(t, "device"),
				rapid.IntRange(1, 3).Draw(t, "phase"), rapid.Float64Range(-20, 20).Draw(t, "kw")))
		}
		opt := draw.Options{Width: rapid.IntRange(0, 2000).Draw(t, "width"), Now: at(0, 0, 0).Add(span("now"))}
		premises := &actions.Premises{Zone: time.UTC}
		got := draw.SVG(p, premises, opt)
		wellFormed(t, got)
		if !bytes.Equal(got, draw.SVG(p, premises, opt)) {
			t.Fatalf("drawn twice, not the same")
		}
	})
}
