package publish_test

import (
	"bytes"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"spillway/actions/publish"
	"spillway/calendar"
)

// A shelf is a collection that keeps to the conditions of RFC 9110 13.1 and notes what it was asked.
type shelf struct {
	mu     sync.Mutex
	files  map[string]string
	n      int
	tags   map[string]string
	asked  []string
	noTags bool           // sends none with the answer to PUT
	refuse map[string]int // status by text in the body
}

func (s *shelf) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.asked = append(s.asked, r.Method)
	if user, password, _ := r.BasicAuth(); user != "ann" || password != "pass word" {
		w.WriteHeader(http.StatusUnauthorized)
		return
	}
	body, _ := io.ReadAll(r.Body)
	tag, there := s.tags[r.URL.Path]
	if r.Header.Get("If-None-Match") == "*" && there || r.Header.Get("If-Match") != "" && r.Header.Get("If-Match") != tag {
		w.WriteHeader(http.StatusPreconditionFailed)
		return
	}
	switch {
	case r.Method == http.MethodPut:
		for text, status := range s.refuse {
			if bytes.Contains(body, []byte(text)) {
				w.WriteHeader(status)
				return
			}
		}
		s.n++
		s.files[r.URL.Path], s.tags[r.URL.Path] = string(body), fmt.Sprintf(`"%d"`, s.n)
		if !s.noTags {
			w.Header().Set("ETag", s.tags[r.URL.Path])
		}
		w.WriteHeader(http.StatusCreated)
	case !there:
		w.WriteHeader(http.StatusNotFound)
	case r.Method == http.MethodDelete:
		delete(s.files, r.URL.Path)
		delete(s.tags, r.URL.Path)
		w.WriteHeader(http.StatusNoContent)
	default:
		w.Header().Set("ETag", tag)
	}
}

// ask returns what it was asked since the last time.
func (s *shelf) ask() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	a := strings.Join(s.asked, " ")
	s.asked = nil
	return a
}

func stamped(now time.Time, entries ...calendar.Entry) []publish.Stamped {
	s, _ := publish.Revise(nil, entries, now)
	return s
}

func TestCollection(t *testing.T) {
	s := &shelf{files: map[string]string{}, tags: map[string]string{}}
	srv := httptest.NewServer(s)
	defer srv.Close()
	c := &publish.Collection{Client: srv.Client(), URL: srv.URL + "/ann/plan/", User: "ann", Password: "pass word", Store: &memory{}}
	now := at(12, 0, 0)
	sync := func(name string, want string, put, deleted int, entries ...calendar.Entry) {
		t.Helper()
		p, d, err := c.Sync(t.Context(), stamped(now, entries...))
		if err != nil || p != put || d != deleted {
			t.Errorf("%s: put %d, deleted %d, %v; want %d and %d", name, p, d, err, put, deleted)
		}
		if got := s.ask(); got != want {
			t.Errorf("%s: asked %q, want %q", name, got, want)
		}
		if len(s.files) != len(entries) {
			t.Errorf("%s: %d files, want %d", name, len(s.files), len(entries))
		}
	}
	a, b, a2 := entry("a", "x"), entry("b", "x"), entry("a", "y")
	sync("new", "PUT PUT", 2, 0, a, b)
	sync("the same", "", 0, 0, a, b)
	sync("one changed", "PUT", 1, 0, a2, b)
	for path := range s.files { // someone edits both there
		s.tags[path] = `"edited"`
	}
	sync("one changed, edited there", "PUT HEAD PUT", 1, 0, a, b)
	sync("one gone", "DELETE", 0, 1, a)
	clear(s.files) // someone deletes it there
	clear(s.tags)
	sync("changed, deleted there", "PUT HEAD PUT", 1, 0, a2)
	c.Store = &memory{} // the memory is lost
	sync("memory lost", "PUT HEAD PUT", 1, 0, a2)
	clear(s.files)
	clear(s.tags)
	sync("gone, and deleted there", "DELETE", 0, 1)
	s.noTags = true
	sync("a server that gives no tag with its answer", "PUT HEAD", 1, 0, a)
	sync("and a change there", "PUT HEAD", 1, 0, a2)
	for _, body := range s.files {
		if !strings.Contains(body, "SUMMARY:y\r\n") || strings.Contains(body, "METHOD") { // RFC 4791 4.1
			t.Errorf("body:\n%s", body)
		}
	}
}

func TestCollectionFaults(t *testing.T) {
	s := &shelf{files: map[string]string{}, tags: map[string]string{}, refuse: map[string]int{"SUMMARY:bad": http.StatusConflict}}
	srv := httptest.NewServer(s)
	store := &memory{}
	c := &publish.Collection{Client: srv.Client(), URL: srv.URL, User: "ann", Password: "pass word", Store: store}
	put, _, err := c.Sync(t.Context(), stamped(at(12, 0, 0), entry("a", "bad"), entry("b", "bad"), entry("c", "good")))
	if put != 1 || err == nil || !strings.Contains(err.Error(), "409 Conflict") || !strings.Contains(err.Error(), "1 more") || strings.Contains(err.Error(), "\n") {
		t.Errorf("two refused of three: put %d, %v", put, err)
	}
	if put, _, err = c.Sync(t.Context(), stamped(at(12, 0, 0), entry("c", "good"))); put != 0 || err != nil {
		t.Errorf("what was put was not remembered: put %d, %v", put, err)
	}
	c.Password = "wrong"
	if _, _, err = c.Sync(t.Context(), stamped(at(12, 0, 0), entry("d", "good"))); err == nil || !strings.Contains(err.Error(), "check user and password") {
		t.Errorf("wrong password: %v", err)
	}
	s.ask()
	srv.Close()
	if _, _, err = c.Sync(t.Context(), stamped(at(12, 0, 0), entry("d", "good"), entry("e", "good"))); err == nil || strings.Contains(err.Error(), "more") {
		t.Errorf("a server that is away was asked more than once: %v", err)
	}
}

// Radicale is a CalDAV server of Debian's. CI installs it.
func TestRadicale(t *testing.T) {
	if _, err := exec.LookPath("radicale"); err != nil {
		if os.Getenv("SPILLWAY_CI") != "" {
			t.Fatal("radicale is not installed: apt-get install radicale")
		}
		t.Skip("radicale is not installed: apt-get install radicale")
	}
	dir := t.TempDir()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	addr := l.Addr().String()
	_ = l.Close() // the server takes the port
	cmd := exec.Command("radicale", "--config", "", "--server-hosts", addr, "--auth-type", "none", "--rights-type", "authenticated", "--storage-filesystem-folder", dir)
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		if t.Failed() {
			t.Log(out.String())
		}
	})
	client := &http.Client{Timeout: time.Minute}
	request := func(method, path string) (int, string) {
		req, err := http.NewRequest(method, "http://"+addr+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		req.SetBasicAuth("ann", "any")
		resp, err := client.Do(req)
		if err != nil {
			return 0, err.Error()
		}
		defer func() { _ = resp.Body.Close() }() // a test reads it whole
		b, _ := io.ReadAll(resp.Body)
		return resp.StatusCode, string(b)
	}
	status, _ := request("MKCALENDAR", "/ann/plan/")
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for range 2400 { // until it listens, two minutes at most
		if status != 0 {
			break
		}
		<-tick.C
		status, _ = request("MKCALENDAR", "/ann/plan/")
	}
	if status != http.StatusCreated {
		t.Fatalf("MKCALENDAR: %d", status)
	}

	c := &publish.Collection{Client: client, URL: "http://" + addr + "/ann/plan/", User: "ann", Password: "any", Store: &memory{}}
	now := at(12, 0, 0)
	entries := publish.Entries(plan(now), nil, premises(t), publish.Options{Now: now, Remind: 15 * time.Minute,
		Faults: []publish.Fault{{Key: "k", Title: "boiler_house is away", Since: now}}})
	first, _ := publish.Revise(nil, entries, now)
	if put, _, err := c.Sync(t.Context(), first); put != 4 || err != nil {
		t.Fatalf("put %d of 4: %v", put, err)
	}
	later := at(15, 0, 0)
	second, _ := publish.Revise(first, publish.Entries(plan(later), done(later), premises(t), publish.Options{Now: later}), later)
	if put, deleted, err := c.Sync(t.Context(), second); put != 3 || deleted != 1 || err != nil {
		t.Fatalf("put %d of 3, deleted %d of 1: %v", put, deleted, err)
	}
	files, _ := filepath.Glob(filepath.Join(dir, "collection-root", "ann", "plan", "*.ics"))
	if len(files) != 3 {
		t.Errorf("the server holds %v", files)
	}
	if _, body := request("GET", "/ann/plan/"); !strings.Contains(body, `done 2 of 2`) || strings.Count(body, "BEGIN:VEVENT") != 3 {
		t.Errorf("the server gives:\n%s", body)
	}
}
