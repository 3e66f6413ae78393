package feed

import (
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"runtime"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"spillway/calendar"
)

// What does not give a whole calendar takes nothing away (the design's rule for feeds that fail), and is told in a line.
func TestFailedPollKeepsLastGood(t *testing.T) {
	answer := func(code int, body string) http.HandlerFunc {
		return func(w http.ResponseWriter, _ *http.Request) {
			w.WriteHeader(code)
			_, _ = io.WriteString(w, body)
		}
	}
	whole := cal("a", "b")
	tests := []struct {
		name  string
		serve http.HandlerFunc
		is    error
		want  string
	}{
		{"not found", answer(404, whole), nil, "answered 404 Not Found: check feeds.house.url"},
		{"gone", answer(410, whole), nil, "answered 410 Gone: check feeds.house.url"},
		{"server error", answer(500, whole), nil, "answered 500 Internal Server Error"},
		{"unauthorised", answer(401, ""), nil, "check feeds.house.user, feeds.house.password_file"},
		{"no content", answer(204, ""), nil, "answered 204 No Content"},
		{"a code of its own", answer(599, ""), nil, "answered 599:"},
		{"not modified, unasked", answer(304, ""), nil, "answered 304 Not Modified"},
		{"part of it", answer(206, whole), nil, "answered 206 Partial Content"},
		{"a page", answer(200, "<!DOCTYPE html><p>log in</p>"), calendar.ErrNotCalendar, "page in HTML"},
		{"text", answer(200, "no such calendar"), calendar.ErrNotCalendar, "gave no iCalendar data"},
		{"no bytes", answer(200, ""), calendar.ErrEmpty, "is empty of bytes"},
		{"blank", answer(200, "\r\n \r\n"), calendar.ErrEmpty, "is empty of bytes"},
		{"a photograph", answer(200, "\xff\xd8\xff\xe0\x00\x10JFIF\x00\x01\r\n\xff\xd9"), calendar.ErrNotCalendar, "gave no iCalendar data: it is image/jpeg"},
		{"no end", answer(200, strings.TrimSuffix(whole, "END:VCALENDAR\r\n")), calendar.ErrTruncated, "ends before END:VCALENDAR"},
		{"half", answer(200, whole[:len(whole)/2]), calendar.ErrTruncated, "ends before END:VCALENDAR"},
		{"cut off", func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Length", "100000")
			_, _ = io.WriteString(w, cal("other"))
		}, calendar.ErrTruncated, "was cut off on the way"},
		{"hung up", func(http.ResponseWriter, *http.Request) { panic(http.ErrAbortHandler) }, nil, "hung up without an answer"},
		{"strange packing", func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Encoding", "compress")
			_, _ = io.WriteString(w, whole)
		}, nil, "packed in an unknown way"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var handler cell[http.HandlerFunc]
			handler.set(answer(200, whole))
			s := serve(t, func(w http.ResponseWriter, r *http.Request) { handler.get()(w, r) })
			c := newClock()
			handler.set(tt.serve) // also as the first answer of all, without a good copy to compare it with
			if r := bad(t, open(t, Spec{Name: "house", URL: s.URL}, Options{Now: c.now}), tt.want); r.Body != nil {
				t.Errorf("a body comes of it: %q", r.Body)
			}
			handler.set(answer(200, whole))
			f := open(t, Spec{Name: "house", URL: s.URL + "/secret/house.ics"}, Options{Now: c.now})
			first := good(t, f)
			if first.Unchanged || string(first.Body) != whole || first.Hash != hashOf([]byte(whole)) {
				t.Fatalf("first poll: unchanged %v, body %q", first.Unchanged, first.Body)
			}
			handler.set(tt.serve)
			c.turn(time.Hour)
			r := bad(t, f, tt.want, "feed house (http://127.0.0.1")
			if strings.Contains(r.Err.Error(), "secret") {
				t.Errorf("the error shows the path: %v", r.Err)
			}
			if tt.is != nil && !errors.Is(r.Err, tt.is) {
				t.Errorf("error %v is not %v", r.Err, tt.is)
			}
			if string(r.Body) != whole || r.Hash != first.Hash || !r.Unchanged {
				t.Errorf("the last good copy is gone: unchanged %v, body %q", r.Unchanged, r.Body)
			}
			if !r.Good.Equal(start) || r.Age(c.now()) != time.Hour {
				t.Errorf("last good %v, age %v", r.Good, r.Age(c.now()))
			}
			handler.set(answer(200, cal("new")))
			if r := good(t, f); r.Unchanged || string(r.Body) != cal("new") || r.Age(c.now()) != 0 {
				t.Errorf("after recovery: unchanged %v, body %q", r.Unchanged, r.Body)
			}
		})
	}
}

// A calendar without events is a good poll.
func TestEmptyCalendarIsGood(t *testing.T) {
	var body cell[string]
	body.set(cal("a"))
	s := serve(t, func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, body.get()) })
	f := open(t, Spec{URL: s.URL}, Options{})
	good(t, f)
	body.set(cal())
	if r := good(t, f); string(r.Body) != cal() || r.Unchanged {
		t.Errorf("body %q, unchanged %v", r.Body, r.Unchanged)
	}
}

// RFC 9110 13.1.2, 13.1.3, 13.2.2, 8.8.2.2: which condition is asked, if any.
func TestConditionalGet(t *testing.T) {
	const date, before = "Mon, 04 May 2026 09:00:00 GMT", "Sun, 03 May 2026 10:00:00 GMT"
	tests := []struct {
		name           string
		etag, modified string
		match, since   string
	}{
		{"entity tag", `"one"`, "", `"one"`, ""},
		{"weak entity tag", `W/"one"`, "", `W/"one"`, ""},
		{"date", "", before, "", before},
		{"both: the tag alone", `"one"`, before, `"one"`, ""},
		{"a date too new to tell", "", date, "", ""},
		{"a date that is none", "", "yesterday", "", ""},
		{"neither", "", "", "", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var last cell[http.Header]
			s := serve(t, func(w http.ResponseWriter, r *http.Request) {
				last.set(r.Header)
				w.Header().Set("Date", date)
				if tt.etag != "" {
					w.Header().Set("ETag", tt.etag)
				}
				if tt.modified != "" {
					w.Header().Set("Last-Modified", tt.modified)
				}
				if r.Header.Get("If-None-Match")+r.Header.Get("If-Modified-Since") != "" {
					w.WriteHeader(http.StatusNotModified)
					return
				}
				_, _ = io.WriteString(w, cal("a"))
			})
			c := newClock()
			f := open(t, Spec{URL: s.URL}, Options{Now: c.now})
			good(t, f)
			c.turn(time.Hour)
			r := good(t, f)
			if got := last.get().Get("If-None-Match"); got != tt.match {
				t.Errorf("If-None-Match %q, want %q", got, tt.match)
			}
			if got := last.get().Get("If-Modified-Since"); got != tt.since {
				t.Errorf("If-Modified-Since %q, want %q", got, tt.since)
			}
			if !r.Unchanged || string(r.Body) != cal("a") || !r.Good.Equal(c.now()) {
				t.Errorf("unchanged %v, body %q, good %v", r.Unchanged, r.Body, r.Good)
			}
			// Some servers answer 304 to every condition, so once a day none is asked.
			c.turn(24 * time.Hour)
			good(t, f)
			if got := last.get().Get("If-None-Match") + last.get().Get("If-Modified-Since"); got != "" {
				t.Errorf("after a day it still asks under the condition %q", got)
			}
		})
	}
}

// RFC 9110 15.4.5: a 304 may bring a newer tag, by which to ask from then on.
func TestNewTagWithNotModified(t *testing.T) {
	var asked cell[string]
	s := serve(t, func(w http.ResponseWriter, r *http.Request) {
		asked.set(r.Header.Get("If-None-Match"))
		w.Header().Set("ETag", `"one"`)
		if asked.get() != "" {
			w.Header().Set("ETag", `"two"`)
			w.WriteHeader(http.StatusNotModified)
			return
		}
		_, _ = io.WriteString(w, cal("a"))
	})
	f := open(t, Spec{URL: s.URL}, Options{Now: newClock().now})
	for _, want := range []string{"", `"one"`, `"two"`} {
		if good(t, f); asked.get() != want {
			t.Errorf("asked under %q, want %q", asked.get(), want)
		}
	}
}

func TestGzip(t *testing.T) {
	s := serve(t, func(w http.ResponseWriter, r *http.Request) {
		if r.Header.Get("Accept-Encoding") != "gzip" {
			t.Errorf("Accept-Encoding %q", r.Header.Get("Accept-Encoding"))
		}
		w.Header().Set("Content-Encoding", "gzip")
		z := gzip.NewWriter(w)
		_, _ = io.WriteString(z, cal("a"))
		_ = z.Close()
	})
	if r := good(t, open(t, Spec{URL: s.URL}, Options{})); string(r.Body) != cal("a") {
		t.Errorf("body %q", r.Body)
	}
}

// A gzip bomb: what counts is what comes out, and it is refused whole at the limit.
func TestGzipBomb(t *testing.T) {
	const unpacked = 2 << 30
	var sent atomic.Int64
	s := serve(t, func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Encoding", "gzip")
		z, _ := gzip.NewWriterLevel(w, gzip.BestSpeed)
		defer func() { _ = z.Close() }()
		_, _ = io.WriteString(z, "BEGIN:VCALENDAR\r\n")
		zeros := make([]byte, 1<<20)
		for sent.Load() < unpacked {
			if _, err := z.Write(zeros); err != nil {
				return
			}
			sent.Add(int64(len(zeros)))
		}
	})
	f := open(t, Spec{Name: "house", URL: s.URL, MaxBody: 32 << 20, Timeout: 2 * time.Minute}, Options{})
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	r := bad(t, f, "is larger than 33554432 bytes: raise feeds.house.max_body")
	runtime.ReadMemStats(&after)
	if !errors.Is(r.Err, ErrTooBig) {
		t.Errorf("error %v is not ErrTooBig", r.Err)
	}
	if held := after.TotalAlloc - before.TotalAlloc; held > 128<<20 {
		t.Errorf("%d MB were allocated for a body of at most 32 MB", held>>20)
	}
}

func TestMaxBody(t *testing.T) {
	whole := cal("a")
	s := serve(t, func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/chunked" {
			w.(http.Flusher).Flush() // no Content-Length
		}
		_, _ = io.WriteString(w, whole)
	})
	for _, path := range []string{"/", "/chunked"} {
		if r := good(t, open(t, Spec{URL: s.URL + path, MaxBody: int64(len(whole))}, Options{})); string(r.Body) != whole {
			t.Errorf("%s: body %q", path, r.Body)
		}
		f := open(t, Spec{URL: s.URL + path, MaxBody: int64(len(whole)) - 1}, Options{})
		if r := bad(t, f, "is larger than"); r.Body != nil || !errors.Is(r.Err, ErrTooBig) {
			t.Errorf("%s: body %q, error %v", path, r.Body, r.Err)
		}
	}
}

// A body that says beforehand that it is too large is not waited for.
func TestMaxBodyAnnounced(t *testing.T) {
	s := serve(t, func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Length", "100000000000")
		w.(http.Flusher).Flush()
		<-r.Context().Done()
	})
	bad(t, open(t, Spec{URL: s.URL, Timeout: time.Minute}, Options{}), "is larger than 64 MB")
}

// RFC 9110 10.2.3: Retry-After is heeded on any failure that carries it, within its cap.
func TestRetryAfter(t *testing.T) {
	type saying struct {
		code  int
		after string
	}
	var now cell[saying]
	s := serve(t, func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Retry-After", now.get().after)
		w.WriteHeader(now.get().code)
	})
	c := newClock()
	for _, tt := range []struct {
		code  int
		after string
		want  time.Duration
	}{
		{503, "3600", time.Hour},
		{429, "3600", time.Hour},
		{503, "5", 5 * time.Minute}, // never below the floor
		{503, start.Add(2 * time.Hour).Format(http.TimeFormat), 2 * time.Hour},
		{503, "1000000", mostAfter},
		{503, "soon", 5 * time.Minute},
	} {
		f := open(t, Spec{URL: s.URL}, Options{Now: c.now, Rand: func() float64 { return 0 }})
		now.set(saying{tt.code, tt.after})
		if r := bad(t, f); r.Next.Sub(c.now()) != tt.want {
			t.Errorf("%d with Retry-After %q: next in %v, want %v", tt.code, tt.after, r.Next.Sub(c.now()), tt.want)
		}
	}
}

func TestBackOffOverPolls(t *testing.T) {
	var broken cell[bool]
	broken.set(true)
	s := serve(t, func(w http.ResponseWriter, _ *http.Request) {
		if broken.get() {
			w.WriteHeader(500)
			return
		}
		_, _ = io.WriteString(w, cal("a"))
	})
	c := newClock()
	f := open(t, Spec{URL: s.URL, Poll: 5 * time.Minute}, Options{Now: c.now, Rand: func() float64 { return 0.5 }})
	for i, want := range []time.Duration{5, 10, 15, 15, 15} {
		want = want * time.Minute * 9 / 8 // jitter of half of a quarter
		if r := bad(t, f); r.Next.Sub(c.now()) != want {
			t.Errorf("failure %d: next in %v, want %v", i+1, r.Next.Sub(c.now()), want)
		}
	}
	broken.set(false)
	if r := good(t, f); r.Next.Sub(c.now()) != 5*time.Minute {
		t.Errorf("after a good poll: next in %v", r.Next.Sub(c.now()))
	}
	broken.set(true)
	if r := bad(t, f); r.Next.Sub(c.now()) != 5*time.Minute*9/8 {
		t.Errorf("first failure again: next in %v", r.Next.Sub(c.now()))
	}
}

// The time limit holds against a server that says nothing and against one that says little and slowly.
func TestTimeLimit(t *testing.T) {
	for _, name := range []string{"silent", "dripping"} {
		t.Run(name, func(t *testing.T) {
			s := serve(t, func(w http.ResponseWriter, r *http.Request) {
				if name == "dripping" {
					_, _ = io.WriteString(w, "BEGIN:VCALENDAR\r\n")
					w.(http.Flusher).Flush()
				}
				<-r.Context().Done()
			})
			f := open(t, Spec{URL: s.URL, Timeout: 50 * time.Millisecond}, Options{})
			bad(t, f, "gave no whole answer within 50ms")
		})
	}
}

// A poll that the caller ends is no failure of the source.
func TestCallerEndsPoll(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	s := serve(t, func(_ http.ResponseWriter, r *http.Request) {
		cancel()
		<-r.Context().Done()
	})
	c := newClock()
	f := open(t, Spec{URL: s.URL}, Options{Now: c.now, Rand: func() float64 { return 0 }})
	r := f.Poll(ctx)
	if !errors.Is(r.Err, context.Canceled) || r.Next.Sub(c.now()) != 5*time.Minute || f.failures != 0 {
		t.Errorf("error %v, next in %v, %d failures", r.Err, r.Next.Sub(c.now()), f.failures)
	}
}

// One feed that hangs holds up no other.
func TestFeedsAreIndependent(t *testing.T) {
	hanging := make(chan struct{})
	slow := serve(t, func(_ http.ResponseWriter, r *http.Request) {
		close(hanging)
		<-r.Context().Done()
	})
	quick := serve(t, func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, cal("a")) })
	ctx, cancel := context.WithCancel(t.Context())
	stuck := open(t, Spec{Name: "stuck", URL: slow.URL}, Options{})
	done := make(chan Result)
	go func() { done <- stuck.Poll(ctx) }()
	<-hanging
	good(t, open(t, Spec{Name: "quick", URL: quick.URL}, Options{}))
	if r := stuck.Current(); !r.Polled.IsZero() {
		t.Errorf("Current waited for the poll under way: %v", r)
	}
	cancel()
	if r := <-done; !errors.Is(r.Err, context.Canceled) {
		t.Errorf("error %v", r.Err)
	}
}

// The caller may refuse a body; the copy before it stays in force.
func TestAccept(t *testing.T) {
	var body cell[string]
	body.set(cal("a"))
	s := serve(t, func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, body.get()) })
	asked := 0
	f := open(t, Spec{URL: s.URL}, Options{Accept: func(b []byte) error {
		if asked++; strings.Contains(string(b), "UID:poison") {
			return fmt.Errorf("nested too deep: %w", calendar.ErrNotCalendar)
		}
		return nil
	}})
	good(t, f)
	good(t, f)
	if asked != 1 {
		t.Errorf("asked %d times for one body", asked)
	}
	body.set(cal("poison"))
	if r := bad(t, f, "nested too deep"); string(r.Body) != cal("a") {
		t.Errorf("body %q", r.Body)
	}
}

// What a server writes does not reach a terminal as it came.
func TestErrorsAreOneCleanLine(t *testing.T) {
	s := serve(t, func(w http.ResponseWriter, _ *http.Request) {
		hj, _, err := w.(http.Hijacker).Hijack()
		if err != nil {
			t.Error(err)
			return
		}
		_, _ = io.WriteString(hj, "HTTP/1.1 \x1b[31mred\r\nX: y\r\n\r\n")
		_ = hj.Close()
	})
	r := bad(t, open(t, Spec{URL: s.URL}, Options{}), "cannot be read")
	if strings.ContainsAny(r.Err.Error(), "\x1b\r\n") {
		t.Errorf("raw bytes in %q", r.Err)
	}
}

func TestUserAgentAndWrap(t *testing.T) {
	var agent cell[string]
	s := serve(t, func(w http.ResponseWriter, r *http.Request) {
		agent.set(r.UserAgent())
		_, _ = io.WriteString(w, cal("a"))
	})
	count := 0
	wrap := func(next http.RoundTripper) http.RoundTripper {
		return roundTrip(func(r *http.Request) (*http.Response, error) {
			count++
			return next.RoundTrip(r)
		})
	}
	good(t, open(t, Spec{URL: s.URL}, Options{UserAgent: "Spillway/test", Wrap: wrap}))
	if agent.get() != "Spillway/test" || count != 1 {
		t.Errorf("agent %q, %d exchanges through the wrapper", agent.get(), count)
	}
}

type roundTrip func(*http.Request) (*http.Response, error)

func (f roundTrip) RoundTrip(r *http.Request) (*http.Response, error) { return f(r) }
