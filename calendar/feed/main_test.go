package feed

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) {
	// A proxy would dial in the tests' place; the standard library reads these once, at the first request.
	for _, name := range []string{"HTTP_PROXY", "HTTPS_PROXY", "http_proxy", "https_proxy"} {
		_ = os.Unsetenv(name)
	}
	goleak.VerifyTestMain(m)
}

// start is when the tests' clock begins.
var start = time.Date(2026, 5, 4, 9, 0, 0, 0, time.UTC)

// A clock is a hand-turned one.
type clock struct {
	mu sync.Mutex
	at time.Time
}

func newClock() *clock { return &clock{at: start} }

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

func (c *clock) turn(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = c.at.Add(d)
}

// A cell is a variable that a test and its server share.
type cell[T any] struct {
	mu sync.Mutex
	v  T
}

func (c *cell[T]) set(v T) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.v = v
}

func (c *cell[T]) get() T {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.v
}

// event is one event of a calendar, titled by its uid.
func event(uid string) string {
	return "BEGIN:VEVENT\r\nUID:" + uid + "\r\nDTSTAMP:20260501T000000Z\r\nDTSTART:20260505T120000Z\r\n" +
		"DTEND:20260505T130000Z\r\nSUMMARY:" + uid + "\r\nEND:VEVENT\r\n"
}

// cal is a whole calendar with an event for each uid.
func cal(uids ...string) string {
	var b strings.Builder
	b.WriteString("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//example//EN\r\n")
	for _, uid := range uids {
		b.WriteString(event(uid))
	}
	b.WriteString("END:VCALENDAR\r\n")
	return b.String()
}

// bigCal is a calendar of about size bytes.
func bigCal(size int) string {
	uids := make([]string, size/len(event("uid-00000000"))+1)
	for i := range uids {
		uids[i] = fmt.Sprintf("uid-%08d", i)
	}
	return cal(uids...)
}

// serve starts a server that ends with the test.
func serve(t testing.TB, h http.HandlerFunc) *httptest.Server {
	t.Helper()
	s := httptest.NewServer(h)
	t.Cleanup(s.Close)
	return s
}

// open makes a feed that ends with the test.
func open(t testing.TB, s Spec, o Options) *Feed {
	t.Helper()
	f, err := New(s, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = f.Close() })
	return f
}

// good polls and fails the test unless the poll is a good one.
func good(t testing.TB, f *Feed) Result {
	t.Helper()
	r := f.Poll(t.Context())
	if r.Err != nil {
		t.Fatalf("Poll: %v", r.Err)
	}
	return r
}

// bad polls and fails the test unless the poll is a failed one whose line holds each of want.
func bad(t testing.TB, f *Feed, want ...string) Result {
	t.Helper()
	r := f.Poll(t.Context())
	if r.Err == nil {
		t.Fatalf("Poll: no error, want one with %q", want)
	}
	for _, w := range want {
		if !strings.Contains(r.Err.Error(), w) {
			t.Errorf("Poll: %v\nwant it to hold %q", r.Err, w)
		}
	}
	if strings.Contains(r.Err.Error(), "\n") {
		t.Errorf("Poll: the error has more than one line: %q", r.Err)
	}
	return r
}

func writeFile(t testing.TB, path, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// age sets a file's time back, so that it is old enough to be trusted.
func age(t testing.TB, path string, by time.Duration) {
	t.Helper()
	at := time.Now().Add(-by)
	if err := os.Chtimes(path, at, at); err != nil {
		t.Fatal(err)
	}
}
