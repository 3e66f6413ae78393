package page_test

import (
	"bufio"
	"context"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"spillway/actions/run"
	"spillway/cmd/spillway/page"
)

// A stream is one live connection.
type stream struct {
	t     *testing.T
	res   *http.Response
	lines chan string
}

func serve(t *testing.T, h http.Handler) *httptest.Server {
	t.Helper()
	srv := httptest.NewUnstartedServer(nil)
	srv.Config = page.NewServer(h, slog.New(slog.DiscardHandler))
	srv.Start()
	t.Cleanup(srv.Close)
	return srv
}

func listen(t *testing.T, srv *httptest.Server, head ...string) *stream {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	t.Cleanup(cancel)
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, srv.URL+"/events", nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, h := range head {
		name, value, _ := strings.Cut(h, ": ")
		r.Header.Set(name, value)
	}
	res, err := srv.Client().Do(r)
	if err != nil {
		t.Fatal(err)
	}
	s := &stream{t: t, res: res, lines: make(chan string, 16)}
	done := make(chan struct{})
	go func() {
		defer close(done)
		defer close(s.lines)
		in := bufio.NewScanner(res.Body)
		for in.Scan() {
			select {
			case s.lines <- in.Text():
			case <-ctx.Done():
				return
			}
		}
	}()
	t.Cleanup(func() { cancel(); _ = res.Body.Close(); <-done })
	return s
}

// next waits for a line that is not empty; false where the stream ended.
func (s *stream) next() (string, bool) {
	s.t.Helper()
	for {
		select {
		case line, ok := <-s.lines:
			if line != "" || !ok {
				return line, ok
			}
		case <-time.After(time.Minute):
			s.t.Fatal("nothing came")
		}
	}
}

func TestLive(t *testing.T) {
	w := newWorld(t)
	srv := serve(t, w.open(t, nil))
	s := listen(t, srv)
	if got := s.res.Header.Get("Content-Type"); got != "text/event-stream" {
		t.Errorf("type %q", got)
	}
	if line, _ := s.next(); line != "retry: 5000" {
		t.Errorf("first %q", line)
	}
	w.change(func(s *run.Snapshot) { s.Troubles = nil })
	if line, _ := s.next(); line != "event: newer" {
		t.Errorf("then %q", line)
	}
	if line, _ := s.next(); line != "data: 1" {
		t.Errorf("then %q", line) // and nothing of the state
	}
}

func TestLiveEndsWithTheSession(t *testing.T) {
	w := newWorld(t)
	p := w.open(t, locked(t))
	srv := serve(t, p)
	session := "Cookie: " + login(t, p)
	s := listen(t, srv, session)
	s.next()
	form, _ := form(t, p, "/", session)
	do(p, request("POST", "/logout", "form="+form, session))
	w.change(func(s *run.Snapshot) { s.Troubles = nil })
	if line, open := s.next(); open {
		t.Errorf("after logging out it tells %q", line)
	}
}

func TestLiveIsBounded(t *testing.T) {
	w := newWorld(t)
	srv := serve(t, w.open(t, nil))
	refused := 0
	for range 30 {
		s := listen(t, srv)
		if s.res.StatusCode == http.StatusServiceUnavailable {
			refused++
		} else {
			s.next()
		}
	}
	if refused != 6 {
		t.Errorf("%d of 30 were refused, want 6", refused)
	}
	if res := do(w.open(t, nil), request("GET", "/", "")); res.Code != 200 {
		t.Errorf("the page itself answers %d", res.Code)
	}
}
