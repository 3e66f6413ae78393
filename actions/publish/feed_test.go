package publish_test

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"spillway/actions/publish"
)

func open(t *testing.T, store publish.Store) *publish.Feed {
	t.Helper()
	f, err := publish.Open(t.Context(), store, london(t))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestFeed(t *testing.T) {
	store := &memory{}
	f := open(t, store)
	if r := f.Rendering(""); r != nil {
		t.Errorf("before the first update: %+v", r)
	}
	updated := func(now time.Time) bool {
		t.Helper()
		changed, err := f.Update(t.Context(), plan(now), done(now), premises(t), publish.Options{Now: now})
		if err != nil {
			t.Fatal(err)
		}
		return changed
	}
	if !updated(at(12, 0, 0)) {
		t.Error("the first update changed nothing")
	}
	first := f.Rendering("")
	if want := fmt.Sprintf("%q", fmt.Sprintf("%x", sha256.Sum256(first.Body))); first.ETag != want {
		t.Errorf("etag %s, want %s", first.ETag, want)
	}
	if !first.LastModified.Equal(at(12, 0, 0)) {
		t.Errorf("last modified %v", first.LastModified)
	}
	if updated(at(12, 5, 0)) {
		t.Error("an update without news changed something")
	}
	if f.Rendering(publish.Phases) != first {
		t.Error("rendered again without news")
	}
	if steps := f.Rendering(publish.Steps); bytes.Count(steps.Body, []byte("BEGIN:VEVENT")) != 6 {
		t.Errorf("steps:\n%s", steps.Body)
	}

	// A restart goes on where it ended: same bytes, same tag, and sequences that go on.
	f = open(t, store)
	if again := f.Rendering(""); again == nil || again.ETag != first.ETag || !again.LastModified.Equal(first.LastModified) {
		t.Errorf("after a restart: %+v", again)
	}
	if updated(at(12, 10, 0)) {
		t.Error("an update without news after a restart changed something")
	}
	if !updated(at(13, 30, 0)) {
		t.Error("what was done changed nothing")
	}
	second := f.Rendering("")
	if second.ETag == first.ETag || !bytes.Contains(second.Body, []byte("SEQUENCE:1")) || !second.LastModified.Equal(at(13, 30, 0)) {
		t.Errorf("after steps were done: %s\n%s", second.ETag, second.Body)
	}
}

// The disk is full: what people read is right all the same.
func TestFeedWithoutStore(t *testing.T) {
	store := &memory{fail: errors.New("the disk is full")}
	f := open(t, store)
	changed, err := f.Update(t.Context(), plan(at(12, 0, 0)), nil, premises(t), publish.Options{Now: at(12, 0, 0)})
	if err == nil || !changed || f.Rendering("") == nil {
		t.Errorf("changed %v, %v, %v", changed, err, f.Rendering(""))
	}
}

func TestHandler(t *testing.T) {
	f := open(t, &memory{})
	secret, ready := "c2VjcmV0", false
	current := func(detail string) *publish.Rendering {
		if !ready {
			return nil
		}
		return f.Rendering(detail)
	}
	h := publish.Handler(func() string { return secret }, publish.Phases, current)
	do := func(method, path string, header ...string) *http.Response {
		req := httptest.NewRequest(method, path, nil)
		for i := 0; i < len(header); i += 2 {
			req.Header.Set(header[i], header[i+1])
		}
		rec := httptest.NewRecorder()
		h.ServeHTTP(rec, req)
		return rec.Result()
	}
	good := "/plan/c2VjcmV0.ics"
	if got := do("GET", good).StatusCode; got != http.StatusServiceUnavailable {
		t.Errorf("before the first plan: %d", got)
	}
	now := at(12, 0, 0)
	if _, err := f.Update(t.Context(), plan(now), nil, premises(t), publish.Options{Now: now}); err != nil {
		t.Fatal(err)
	}
	ready = true
	etag := f.Rendering("").ETag

	for _, c := range []struct {
		name, method, path string
		header             []string
		status, events     int
	}{
		{"the calendar", "GET", good, nil, 200, 3},
		{"each step", "GET", good + "?detail=steps", nil, 200, 6},
		{"unknown detail", "GET", good + "?detail=all", nil, 200, 3},
		{"head", "HEAD", good, nil, 200, 0},
		{"not changed, by tag", "GET", good, []string{"If-None-Match", etag}, 304, 0},
		{"not changed, by one of several tags", "GET", good, []string{"If-None-Match", `"x", W/` + etag}, 304, 0},
		{"other tag, though the date fits (RFC 9110 13.1.3)", "GET", good, []string{"If-None-Match", `"x"`, "If-Modified-Since", now.Format(http.TimeFormat)}, 200, 3},
		{"not changed, by date", "GET", good, []string{"If-Modified-Since", now.Format(http.TimeFormat)}, 304, 0},
		{"changed since", "GET", good, []string{"If-Modified-Since", now.Add(-time.Second).Format(http.TimeFormat)}, 200, 3},
		{"wrong secret", "GET", "/plan/c2VjcmVx.ics", nil, 404, 0},
		{"no secret", "GET", "/plan/.ics", nil, 404, 0},
		{"longer secret", "GET", "/plan/c2VjcmV0c2VjcmV0.ics", nil, 404, 0},
		{"no suffix", "GET", "/plan/c2VjcmV0", nil, 404, 0},
		{"other folder", "GET", "/c2VjcmV0.ics", nil, 404, 0},
		{"below", "GET", good + "/x.ics", nil, 404, 0},
		{"wrong secret, wrong method", "POST", "/plan/x.ics", nil, 404, 0},
		{"wrong method", "POST", good, nil, 405, 0},
	} {
		resp := do(c.method, c.path, c.header...)
		var body bytes.Buffer
		_, _ = body.ReadFrom(resp.Body)
		if resp.StatusCode != c.status || bytes.Count(body.Bytes(), []byte("BEGIN:VEVENT")) != c.events {
			t.Errorf("%s: %d with %d events, want %d with %d", c.name, resp.StatusCode, bytes.Count(body.Bytes(), []byte("BEGIN:VEVENT")), c.status, c.events)
		}
		if c.status == 404 && body.String() != "404 page not found\n" {
			t.Errorf("%s: body %q differs from any other 404", c.name, body.String())
		}
		if resp.Header.Get("X-Content-Type-Options") != "nosniff" || resp.Header.Get("Referrer-Policy") != "no-referrer" {
			t.Errorf("%s: headers %v", c.name, resp.Header)
		}
		if c.status == 200 {
			for k, want := range map[string]string{"Content-Type": "text/calendar; charset=utf-8", "Last-Modified": now.Format(http.TimeFormat), "Cache-Control": "private, no-cache"} {
				if got := resp.Header.Get(k); got != want {
					t.Errorf("%s: %s is %q, want %q", c.name, k, got, want)
				}
			}
		}
	}
	secret = ""
	if got := do("GET", "/plan/.ics").StatusCode; got != 404 {
		t.Errorf("an empty secret opens the feed: %d", got)
	}
}

func TestWriteFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "plan.ics")
	one, two := &publish.Rendering{Body: []byte("one")}, &publish.Rendering{Body: []byte("two")}
	old := at(1, 0, 0)
	for _, c := range []struct {
		name    string
		r       *publish.Rendering
		changed bool
	}{{"new", one, true}, {"the same", one, false}, {"other", two, true}} {
		changed, err := publish.WriteFile(path, c.r)
		if err != nil || changed != c.changed {
			t.Errorf("%s: changed %v, %v", c.name, changed, err)
		}
		if b, _ := os.ReadFile(path); !bytes.Equal(b, c.r.Body) {
			t.Errorf("%s: the file holds %q", c.name, b)
		}
		info, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		if !c.changed && !info.ModTime().Equal(old) {
			t.Errorf("%s: the file was touched", c.name)
		}
		if err := os.Chtimes(path, old, old); err != nil {
			t.Fatal(err)
		}
	}
	if left, _ := filepath.Glob(filepath.Join(filepath.Dir(path), "*")); len(left) != 1 {
		t.Errorf("left beside it: %v", left)
	}
	if _, err := publish.WriteFile(filepath.Join(path, "x", "plan.ics"), one); err == nil || strings.Contains(err.Error(), "\n") {
		t.Errorf("below a file: %v", err)
	}
}
