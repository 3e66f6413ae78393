package page_test

import (
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"spillway/actions"
	"spillway/actions/run"
	"spillway/cmd/spillway/page"
)

// The order and the questions are those of the page's brief; the words are ours.
func TestPageAnswersInOrder(t *testing.T) {
	body := show(t, newWorld(t).open(t, nil), "/")
	at := 0
	for _, s := range []string{
		"2 settings are held, and 1 thing needs a look",
		"Free power holds 2 settings until 14:00:15, in 50 min.",
		"By the plan 5.8 kW is drawn now, of 13.8 kW.",
		"boiler_house</b>: <bdi>cannot be reached",
		`href="/put-back"`,
		"Barn battery: charge at 5 kW", "then <bdi>3 kW",
		"14:00</time></b>", "in 50 min", "Barn battery: back to own use", // what is next
		"Free power, evening", `href="/stand-down?window=aheadwin01"`,
		"Stood down: <bdi>Free power, late, Sat 2 May 21:00 to 22:00",
		`id="drawing"`, "<svg", "Switching schedule",
		`id="done"`, "failed", "no answer",
		"Gained 4.90 kWh in 1 window", "1.20 GBP is to come", "expected by Tue 5 May", "6.30 kWh metered, 1.40 kWh expected without the window: mean of 10 workdays",
		`id="health"`, "house", "in order", "boiler house", "cannot be reached",
		"13.8 kW (60 A)",
	} {
		i := strings.Index(body[at:], s)
		if i < 0 {
			t.Fatalf("the page lacks %q after byte %d, or has it earlier: %v", s, at, strings.Contains(body, s))
		}
		at += i + len(s)
	}
	if strings.Contains(body, `href="/stand-down?window=activewin1"`) {
		t.Error("a window that is on can be stood down")
	}
}

func show(t *testing.T, p *page.Page, target string) string {
	t.Helper()
	res := do(p, request(http.MethodGet, target, ""))
	if res.Code != http.StatusOK {
		t.Fatalf("%s: %d", target, res.Code)
	}
	return res.Body.String()
}

func TestStates(t *testing.T) {
	for _, c := range []struct {
		name   string
		change func(*world)
		want   string
	}{
		{"no plan yet", func(w *world) { w.snap.Plan = nil; w.snap.Standing.Points = nil }, "The plan is being made"},
		{"nothing held", func(w *world) { w.snap.Standing.Points, w.snap.Troubles = nil, nil }, "Nothing is held, and all is as it should be"},
		{"held and in order", func(w *world) { w.snap.Troubles = nil }, "2 settings are held, as planned"},
		{"trouble alone", func(w *world) { w.snap.Standing.Points = nil }, "Nothing is held, and 1 thing needs a look"},
		{"due back already", func(w *world) { w.now = at(14, 3, 0) }, "Free power holds 2 settings, being put back now."},
		{"one of two due back", func(w *world) { w.now = at(14, 0, 5) }, "Free power holds 2 settings: some are being put back now, the last at 14:00:15, in 10 s."},
		{"a window nobody knows any more", func(w *world) { w.snap.Plan.Windows = w.snap.Plan.Windows[1:]; w.snap.Plan.Steps = nil }, "window activewin1 holds 2 settings, being put back now."},
		{"a hand", func(w *world) {
			w.snap.Standing.Points[ref("cylinder.boost")] = actions.PointStanding{Hand: actions.Named("on")}
		}, "Cylinder: boost on. Someone set it, or it went back by itself; it stays so."},
		{"no window", func(w *world) { w.snap.Plan = &actions.Plan{} }, "No window is known, so there is nothing to draw."},
		{"only windows that are over", func(w *world) {
			w.snap.Plan.Windows = w.snap.Plan.Windows[:1]
			w.snap.Plan.Windows[0].State = actions.Completed
		}, "No window is coming; this is the last one."},
		{"nothing to settle", func(w *world) { w.gained, w.note = nil, "No meter data yet." }, "No meter data yet."},
		{"another year", func(w *world) {
			w.snap.Plan.Windows[1].Start = w.snap.Plan.Windows[1].Start.AddDate(1, 0, 0)
			w.snap.Plan.Windows[1].End = w.snap.Plan.Windows[1].End.AddDate(1, 0, 0)
		}, "Sun 2 May 2027 19:00"},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newWorld(t)
			c.change(w)
			if body := show(t, w.open(t, nil), "/"); !strings.Contains(body, c.want) {
				t.Errorf("the page lacks %q", c.want)
			}
		})
	}
}

func TestWatching(t *testing.T) {
	w := newWorld(t)
	p := w.open(t, func(o *page.Options) { o.Watch = true })
	if !strings.Contains(show(t, p, "/"), "Watching only") {
		t.Error("the page does not say that it only watches")
	}
	token, cookie := form(t, p, "/stand-down?window=aheadwin01")
	if res := do(p, request(http.MethodPost, "/put-back", "form="+token, "Cookie: "+cookie)); res.Code != http.StatusConflict || len(w.moved()) > 0 {
		t.Errorf("status %d, asked %v", res.Code, w.moved())
	}
}

func TestActs(t *testing.T) {
	for _, c := range []struct {
		name, path, body string
		want             run.Event
		says             string
	}{
		{"put everything back", "/put-back", "", run.GiveBack{}, "Barn battery: back to own use"},
		{"stand a window down", "/stand-down?window=aheadwin01", "&window=aheadwin01", run.StandDown{Window: "aheadwin01"}, "Free power, evening, Sat 2 May 19:00 to 20:00"},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newWorld(t)
			p := w.open(t, nil)
			if body := show(t, p, c.path); !strings.Contains(body, c.says) {
				t.Errorf("the confirmation does not say %q", c.says)
			}
			token, cookie := form(t, p, c.path)
			if len(w.moved()) > 0 {
				t.Fatalf("asking moved something: %v", w.moved())
			}
			path, _, _ := strings.Cut(c.path, "?")
			res := do(p, request(http.MethodPost, path, "form="+token+c.body, "Cookie: "+cookie, "Sec-Fetch-Site: same-origin", "Origin: http://127.0.0.1:8377"))
			if res.Code != http.StatusSeeOther || !strings.HasPrefix(res.Header().Get("Location"), "/?said=") {
				t.Errorf("status %d to %q", res.Code, res.Header().Get("Location"))
			}
			if d := cmp.Diff([]run.Event{c.want}, w.moved()); d != "" {
				t.Error(d)
			}
			if !strings.Contains(show(t, p, res.Header().Get("Location")), `class="said" role="status"`) {
				t.Error("the page does not say what came of it")
			}
		})
	}
}

// Only a window that is ahead can be stood down: one that is on ends with "put everything back", which says what it does.
func TestStandDownOnlyAhead(t *testing.T) {
	w := newWorld(t)
	p := w.open(t, nil)
	token, cookie := form(t, p, "/put-back")
	for _, id := range []string{"activewin1", "downwin001", "", "nobody", "aheadwin01'--"} {
		if res := do(p, request(http.MethodGet, "/stand-down?window="+id, "")); res.Code != http.StatusNotFound {
			t.Errorf("%q: asking gives %d", id, res.Code)
		}
		if res := do(p, request(http.MethodPost, "/stand-down", "form="+token+"&window="+id, "Cookie: "+cookie)); res.Code != http.StatusConflict {
			t.Errorf("%q: doing gives %d", id, res.Code)
		}
	}
	w.now = at(19, 0, 0) // begins this instant
	if res := do(p, request(http.MethodPost, "/stand-down", "form="+token+"&window=aheadwin01", "Cookie: "+cookie)); res.Code != http.StatusConflict {
		t.Errorf("at its start: %d", res.Code)
	}
	if len(w.moved()) > 0 {
		t.Errorf("asked %v", w.moved())
	}
}

func TestLogFilters(t *testing.T) {
	p := newWorld(t).open(t, nil)
	for _, c := range []struct {
		query     string
		has, hasn []string
	}{
		{"", []string{"3 of the last two days, newest first", "boost on", "charge at 5 kW"}, []string{"Show all"}},
		{"?device=cylinder", []string{"1 of the last two days", "boost on", "Show all"}, []string{"charge at 5 kW"}},
		{"?phase=lead-in", []string{"1 of the last", "charge at 5 kW"}, []string{"boost on"}},
		{"?day=2026-05-02", []string{"3 of Sat 2 May 2026"}, nil},
		{"?day=2026-05-01", []string{"Nothing was done in Fri 1 May 2026 that fits"}, []string{"boost on"}},
		{"?day=soon&device=oven&phase=later", []string{"That is no day", "3 of the last two days"}, []string{"oven"}},
	} {
		body := show(t, p, "/"+c.query)
		_, body, _ = strings.Cut(body, `id="done"`)
		body, _, _ = strings.Cut(body, `id="gain"`)
		for _, s := range c.has {
			if !strings.Contains(body, s) {
				t.Errorf("%q: lacks %q", c.query, s)
			}
		}
		for _, s := range c.hasn {
			if strings.Contains(body, s) {
				t.Errorf("%q: has %q", c.query, s)
			}
		}
	}
}

func TestLongLogIsCut(t *testing.T) {
	w := newWorld(t)
	for i := range 300 {
		l := w.log[0]
		l.Step.At = l.Step.At.Add(-time.Duration(i) * time.Minute)
		w.log = append(w.log, l)
	}
	slices.SortFunc(w.log, func(a, b actions.StepStanding) int { return a.Step.At.Compare(b.Step.At) })
	if body := show(t, w.open(t, nil), "/"); !strings.Contains(body, "303 of the last two days, newest first; the newest 60 are shown") {
		t.Error("a long log is not cut, or not said to be")
	}
}

func TestDrawAnotherWindow(t *testing.T) {
	p := newWorld(t).open(t, nil)
	body := show(t, p, "/?window=aheadwin01")
	if !strings.Contains(body, "A window further off.") || !strings.Contains(body, "<title id=\"plan-wide-title\">Plan: Free power, evening</title>") {
		t.Error("the window that was asked for is not drawn")
	}
	if body := show(t, p, "/?window=nobody"); !strings.Contains(body, "<title id=\"plan-wide-title\">Plan: Free power</title>") {
		t.Error("for a window that nobody knows the coming one is not drawn")
	}
}

// The whole of it stays below 100 KB, with scripts and style, also on a busy day.
func TestSize(t *testing.T) {
	w := newWorld(t)
	for range 60 {
		w.log = append(w.log, w.log[0])
	}
	p := w.open(t, nil)
	body := show(t, p, "/")
	total := len(body)
	for _, part := range strings.Split(body, `"/assets/`)[1:] {
		name, _, _ := strings.Cut(part, `"`)
		res := do(p, request(http.MethodGet, "/assets/"+name, ""))
		if res.Code != http.StatusOK || !strings.Contains(res.Header().Get("Cache-Control"), "immutable") {
			t.Errorf("%s: %d, %s", name, res.Code, res.Header())
		}
		total += res.Body.Len()
	}
	if total > 100_000 {
		t.Errorf("%d bytes", total)
	}
	t.Logf("%d bytes in all, %d of them the page", total, len(body))
}
