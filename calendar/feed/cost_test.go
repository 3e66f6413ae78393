package feed

import (
	"bytes"
	"fmt"
	"io"
	"net/http"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"
)

// Exchanges in memory, so that what is counted is our own work.

// answers304 gives body once and 304 from then on.
func answers304(body []byte) roundTrip {
	return func(r *http.Request) (*http.Response, error) {
		h := http.Header{"Etag": {`"one"`}}
		if r.Header.Get("If-None-Match") == `"one"` {
			return &http.Response{StatusCode: 304, Header: h, Body: http.NoBody, Request: r}, nil
		}
		return &http.Response{StatusCode: 200, Header: h, Body: io.NopCloser(bytes.NewReader(body)), ContentLength: -1, Request: r}, nil
	}
}

// answersAlways gives body each time, as a server without validators does.
func answersAlways(body []byte) roundTrip {
	return func(r *http.Request) (*http.Response, error) {
		return &http.Response{StatusCode: 200, Header: http.Header{}, Body: io.NopCloser(bytes.NewReader(body)), ContentLength: -1, Request: r}, nil
	}
}

// answersCollection is a collection of objects of about 100 kB each, with a sync-token that stays.
func answersCollection(size int) roundTrip {
	text := strings.ReplaceAll(bigCal(min(size, 100_000)), "\r", "&#13;")
	var objects strings.Builder
	for i := 0; i*100_000 < size; i++ {
		objects.WriteString(response(fmt.Sprintf("/%d.ics", i), "<D:getetag>one</D:getetag><C:calendar-data>"+text+"</C:calendar-data>", ""))
	}
	state := response("/", calendarType+"<D:sync-token>one</D:sync-token>", "")
	return func(r *http.Request) (*http.Response, error) {
		out := state
		if r.Method == "REPORT" {
			out = objects.String()
		}
		xml := `<D:multistatus xmlns:D="DAV:" xmlns:C="urn:ietf:params:xml:ns:caldav">` + out + `</D:multistatus>`
		return &http.Response{StatusCode: 207, Header: http.Header{}, Body: io.NopCloser(strings.NewReader(xml)), ContentLength: -1, Request: r}, nil
	}
}

func inMemory(t testing.TB, url string, rt roundTrip) *Feed {
	f := open(t, Spec{URL: url}, Options{Now: newClock().now, Wrap: func(http.RoundTripper) http.RoundTripper { return rt }})
	good(t, f)
	return f
}

// unchangedFeeds are feeds of every kind with a body of about size, polled once.
func unchangedFeeds(t testing.TB, size int) map[string]*Feed {
	body := []byte(bigCal(size))
	path := filepath.Join(t.TempDir(), "house.ics")
	writeFile(t, path, string(body))
	age(t, path, time.Hour)
	file, folder := open(t, Spec{URL: path}, Options{}), open(t, Spec{URL: filepath.Dir(path)}, Options{})
	good(t, file)
	good(t, folder)
	return map[string]*Feed{
		"304":        inMemory(t, "http://calendar.example/", answers304(body)),
		"same bytes": inMemory(t, "http://calendar.example/", answersAlways(body)),
		"collection": inMemory(t, "caldav://calendar.example/", answersCollection(size)),
		"file":       file,
		"folder":     folder,
	}
}

// An unchanged poll allocates the same for a small feed and for a large one.
func TestUnchangedPollDoesNotGrow(t *testing.T) {
	const small, large = 10_000, 4_000_000
	perPoll := func(f *Feed) uint64 {
		const polls = 20
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		for range polls {
			if r := good(t, f); !r.Unchanged {
				t.Fatal("changed")
			}
		}
		runtime.ReadMemStats(&after)
		return (after.TotalAlloc - before.TotalAlloc) / polls
	}
	big := unchangedFeeds(t, large)
	for name, f := range unchangedFeeds(t, small) {
		a, b := perPoll(f), perPoll(big[name])
		t.Logf("%s: %d bytes for a feed of %d, %d for one of %d", name, a, small, b, large)
		// What differs is noise of the runtime; growth would show as megabytes.
		if b > a+64<<10 {
			t.Errorf("%s: a poll allocates %d bytes for a feed of %d and %d for one of %d", name, a, small, b, large)
		}
	}
}

// BenchmarkUnchangedPoll measures our own work of a poll that finds nothing new. The goal is under 1 ms.
func BenchmarkUnchangedPoll(b *testing.B) {
	for _, size := range []int{1000, 100_000, 30_000_000} {
		for name, f := range unchangedFeeds(b, size) {
			b.Run(fmt.Sprintf("%s/%d", name, size), func(b *testing.B) {
				b.ReportAllocs()
				for b.Loop() {
					if r := f.Poll(b.Context()); r.Err != nil {
						b.Fatal(r.Err)
					}
				}
			})
		}
	}
}

// BenchmarkChangedPoll measures our own work of a poll that finds another body: fetching it, and telling its ends. Reading it
// is the calendar's.
func BenchmarkChangedPoll(b *testing.B) {
	for _, size := range []int{1000, 100_000, 30_000_000} {
		b.Run(fmt.Sprint(size), func(b *testing.B) {
			one := []byte(bigCal(size))
			other := bytes.Replace(one, []byte("uid-00000000"), []byte("uid-0000000x"), 1)
			n := 0
			f := inMemory(b, "http://calendar.example/", func(r *http.Request) (*http.Response, error) {
				n++
				body := [][]byte{one, other}[n%2]
				return &http.Response{StatusCode: 200, Header: http.Header{}, Body: io.NopCloser(bytes.NewReader(body)), ContentLength: int64(len(body)), Request: r}, nil
			})
			b.SetBytes(int64(len(one)))
			b.ReportAllocs()
			for b.Loop() {
				if r := f.Poll(b.Context()); r.Err != nil || r.Unchanged {
					b.Fatal(r.Err, r.Unchanged)
				}
			}
		})
	}
}
