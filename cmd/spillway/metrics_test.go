package main

import (
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/house"
)

func scrape(t *testing.T, m *metrics, accept string) (body, kind string) {
	t.Helper()
	r := httptest.NewRequest("GET", "/metrics", nil)
	r.Header.Set("Accept", accept)
	w := httptest.NewRecorder()
	m.handler().ServeHTTP(w, r)
	if w.Code != http.StatusOK {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	return w.Body.String(), w.Header().Get("Content-Type")
}

func TestMetricsCount(t *testing.T) {
	m := newMetrics()
	due := time.Date(2026, 7, 4, 12, 0, 0, 0, time.UTC)
	step := func(id string) actions.Step { return actions.Step{ID: id, Link: "barn", At: due} }
	for _, e := range []actions.Entry{
		{Kind: actions.EntryIntent, Step: step("a"), Tries: 1, At: due},
		{Kind: actions.EntrySent, Step: step("a"), At: due.Add(30 * time.Millisecond)},
		{Kind: actions.EntryIntent, Step: step("a"), Tries: 2, At: due.Add(time.Minute)},
		{Kind: actions.EntrySent, Step: step("a"), At: due.Add(time.Minute)}, // a retry has no delay
		{Kind: actions.EntrySettled, Step: step("a"), State: actions.Confirmed},
		{Kind: actions.EntryIntent, Step: step("b"), Tries: 1, At: due},
		{Kind: actions.EntryUnsent, Step: step("b"), At: due}, // nothing left the machine
		{Kind: actions.EntryIntent, Step: step("b"), Tries: 1, At: due.Add(time.Minute)},
		{Kind: actions.EntrySent, Step: step("b"), At: due.Add(2 * time.Minute)},
		{Kind: actions.EntrySettled, Step: step("b"), State: actions.Failed},
		{Kind: actions.EntrySettled, Step: step("c"), State: actions.Skipped},
	} {
		m.count(e)
	}
	body, _ := scrape(t, m, "")
	for _, want := range []string{
		`spillway_step_delay_seconds_bucket{le="0.025"} 0`, `spillway_step_delay_seconds_bucket{le="0.05"} 1`,
		`spillway_step_delay_seconds_count 2`, `spillway_step_retries_total{link="barn"} 1.0`,
		`spillway_steps_total{state="confirmed"} 1.0`, `spillway_steps_total{state="failed"} 1.0`, `spillway_steps_total{state="skipped"} 1.0`,
		`spillway_steps_total{state="assumed"} 0.0`,
	} {
		if !strings.Contains(body, want+"\n") {
			t.Errorf("no %s in\n%s", want, body)
		}
	}
	if len(m.first) != 0 {
		t.Errorf("%d steps are remembered for ever", len(m.first))
	}
}

// Who asks for nothing in particular gets OpenMetrics 1.0, which ends in # EOF; who asks for text gets text.
func TestMetricsFormats(t *testing.T) {
	m := newMetrics()
	for _, accept := range []string{"", "*/*", "application/openmetrics-text;version=1.0.0"} {
		if body, kind := scrape(t, m, accept); !strings.HasPrefix(kind, "application/openmetrics-text; version=1.0.0") || !strings.HasSuffix(body, "# EOF\n") {
			t.Errorf("Accept %q: %s, ends in %q", accept, kind, body[max(0, len(body)-20):])
		}
	}
	if _, kind := scrape(t, m, "text/plain;version=0.0.4"); !strings.HasPrefix(kind, "text/plain") {
		t.Errorf("got %s", kind)
	}
}

// TestMetricsOfARunningProgram scrapes over a whole window. What was scraped in its middle is written to
// SPILLWAY_METRICS, for a reader that is none of ours.
func TestMetricsOfARunningProgram(t *testing.T) {
	s := newStage(t, "", window("metrics", 5*time.Minute, 20*time.Minute))
	s.begin()
	get := func(path string) string {
		t.Helper()
		res, err := http.Get(strings.TrimSuffix(s.daemon().pageURL(), "/") + path)
		if err != nil {
			t.Fatal(err)
		}
		defer res.Body.Close()
		body, err := io.ReadAll(res.Body)
		if err != nil || res.StatusCode != http.StatusOK {
			t.Fatalf("%s: %s, %v: %s", path, res.Status, err, body)
		}
		return string(body)
	}
	if got := get("/healthz"); got != "ok\n" {
		t.Errorf("health: %q", got)
	}
	s.until(10 * time.Minute)
	s.wait("the window to hold something", s.held)
	body := get("/metrics")
	for _, want := range []string{`spillway_link_up{link="barn"} 1.0`, `spillway_feed_up{feed="quillmere"} 1.0`, `spillway_journal_up 1.0`,
		`spillway_windows{state="active"} 1.0`} {
		if !strings.Contains(body, want+"\n") {
			t.Errorf("no %s in\n%s", want, body)
		}
	}
	if strings.Contains(body, "spillway_held_points 0.0") {
		t.Error("nothing is said to be held")
	}
	if file := os.Getenv("SPILLWAY_METRICS"); file != "" {
		if err := os.WriteFile(file, []byte(body), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	s.until(26 * time.Minute)
	s.wait("all to be given back", func() bool { return !s.held() && s.atRest() && len(s.snapshot().Owed()) == 0 })
	body = get("/metrics")
	if !strings.Contains(body, "spillway_held_points 0.0\n") {
		t.Errorf("something is said to be held:\n%s", body)
	}
	seen := len(s.house.Ledger().Of("", house.Command))
	if strings.Contains(body, "spillway_step_delay_seconds_count 0\n") || seen == 0 {
		t.Errorf("no delay is counted, and the devices saw %d commands", seen)
	}
}
