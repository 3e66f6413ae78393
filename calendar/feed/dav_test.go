package feed

import (
	"errors"
	"io"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"spillway/calendar"
)

// soon is within every range that the tests ask for.
var soon = start.Add(24 * time.Hour)

func davURL(s string) string { return strings.Replace(s, "http://", "caldav://", 1) + "/me/house/" }

// An unchanged collection costs one small request, by whichever token the server has (RFC 6578 4; getctag is common
// practice, no standard); a server with neither is asked for the entity tags.
func TestCollection(t *testing.T) {
	tests := []struct {
		name            string
		sync, ctag      bool
		first, same, to []string // what is asked at first, while unchanged, and after a change
	}{
		{"sync-token", true, false, []string{"PROPFIND", "REPORT data"}, []string{"PROPFIND"}, []string{"PROPFIND", "REPORT data"}},
		{"ctag", false, true, []string{"PROPFIND", "REPORT data"}, []string{"PROPFIND"}, []string{"PROPFIND", "REPORT data"}},
		{"neither", false, false, []string{"PROPFIND", "REPORT etags", "REPORT data"}, []string{"PROPFIND", "REPORT etags"},
			[]string{"PROPFIND", "REPORT etags", "REPORT data"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			d, s := newDavServer(t)
			d.change(func(d *davServer) { d.sync, d.ctag = tt.sync, tt.ctag })
			c := newClock()
			f := open(t, Spec{Name: "house", URL: davURL(s.URL)}, Options{Now: c.now})
			asked := func(want []string) {
				t.Helper()
				if diff := cmp.Diff(want, d.took()); diff != "" {
					t.Errorf("asked (-want +got):\n%s", diff)
				}
			}
			if r := good(t, f); string(r.Body) != emptyCalendar {
				t.Errorf("empty collection: %q", r.Body)
			}
			d.took()
			d.put("b.ics", object{start: soon, data: cal("b")})
			d.put("a.ics", object{start: soon, data: cal("a & <a>")})
			d.put("far.ics", object{start: start.Add(90 * 24 * time.Hour), data: cal("far")})
			r := good(t, f)
			asked(tt.first)
			lf := func(s string) string { return strings.ReplaceAll(s, "\r\n", "\n") }
			if want := lf(cal("a & <a>") + cal("b")); lf(string(r.Body)) != want {
				t.Errorf("body %q, want %q", r.Body, want)
			}
			if err := checkBody(r.Body); err != nil {
				t.Error(err)
			}
			if name, _ := r.Locate(strings.Count(cal("a"), "\n") + 2); name != "/me/house/b.ics" {
				t.Errorf("located in %q", name)
			}
			c.turn(time.Hour)
			if r := good(t, f); !r.Unchanged || !r.Good.Equal(c.now()) {
				t.Errorf("unchanged %v, good %v", r.Unchanged, r.Good)
			}
			asked(tt.same)
			d.remove("b.ics")
			if r := good(t, f); lf(string(r.Body)) != lf(cal("a & <a>")) {
				t.Errorf("body %q", r.Body)
			}
			asked(tt.to)
		})
	}
}

// As the clock moves on the range moves with it, and events come into it of a collection that did not change.
func TestCollectionRangeMoves(t *testing.T) {
	d, s := newDavServer(t)
	d.change(func(d *davServer) { d.sync = true })
	day := 24 * time.Hour
	d.put("far.ics", object{start: start.Add(45 * day), data: cal("far")})
	c := newClock()
	f := open(t, Spec{URL: davURL(s.URL), Ahead: 14 * day, Back: day}, Options{Now: c.now})
	for days := 0; days <= 31; days++ {
		r := good(t, f)
		if has := strings.Contains(string(r.Body), "UID:far"); days == 0 && has || days == 31 && !has {
			t.Errorf("after %d days: the event 45 days ahead is there: %v", days, has)
		}
		c.turn(day)
	}
}

// Within a day the range is not asked again, whatever is left of it: an unchanged collection costs the one small request.
func TestCollectionRangeHasMargin(t *testing.T) {
	d, s := newDavServer(t)
	d.change(func(d *davServer) { d.sync = true })
	c := newClock()
	f := open(t, Spec{URL: davURL(s.URL)}, Options{Now: c.now})
	for range 23 {
		good(t, f)
		c.turn(time.Hour)
	}
	reports := 0
	for _, a := range d.took() {
		if strings.HasPrefix(a, "REPORT") {
			reports++
		}
	}
	if reports != 1 {
		t.Errorf("%d reports in a day", reports)
	}
	c.turn(2 * time.Hour)
	good(t, f)
	if diff := cmp.Diff([]string{"PROPFIND", "REPORT data"}, d.took()); diff != "" {
		t.Errorf("after a day (-want +got):\n%s", diff)
	}
}

// One bad object does not spoil the others, and what it held before stays.
func TestCollectionWithBadObject(t *testing.T) {
	d, s := newDavServer(t)
	f := open(t, Spec{Name: "house", URL: davURL(s.URL)}, Options{Now: newClock().now})
	d.put("a.ics", object{start: soon, data: cal("a")})
	d.put("b.ics", object{start: soon, data: cal("b")})
	good(t, f)
	d.put("a.ics", object{start: soon, data: cal("a")[:40]})
	d.put("b.ics", object{start: soon, code: 403})
	d.put("c.ics", object{start: soon, data: cal("c")})
	d.put("d.ics", object{start: soon, data: ""})
	r := good(t, f)
	for _, uid := range []string{"a", "b", "c"} {
		if !strings.Contains(string(r.Body), "UID:"+uid) {
			t.Errorf("%s is gone: %q", uid, r.Body)
		}
	}
	want := []calendar.Problem{
		{Where: "/me/house/a.ics", What: "the body ends before END:VCALENDAR: its last good copy stays in force"},
		{Where: "/me/house/b.ics", What: "the server answered 403 for it: its last good copy stays in force"},
		{Where: "/me/house/d.ics", What: "the body is empty: it is left out"},
	}
	if diff := cmp.Diff(want, r.Problems); diff != "" {
		t.Errorf("problems (-want +got):\n%s", diff)
	}
}

func TestCollectionFailures(t *testing.T) {
	xml := func(body string) http.HandlerFunc {
		return func(w http.ResponseWriter, _ *http.Request) {
			w.WriteHeader(http.StatusMultiStatus)
			_, _ = io.WriteString(w, body)
		}
	}
	code := func(code int) http.HandlerFunc {
		return func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(code) }
	}
	tests := []struct {
		name  string
		serve http.HandlerFunc
		want  string
	}{
		{"no DAV here", code(405), "speaks no CalDAV: it answered 405 to PROPFIND: write https:// (or webcal://) in feeds.house.url"},
		{"a page", code(200), "speaks no CalDAV: it answered 200 to PROPFIND"},
		{"not found", code(404), "answered 404 Not Found: check feeds.house.url"},
		{"forbidden", code(403), "answered 403 Forbidden: check feeds.house.user"},
		{"broken", code(500), "answered 500 Internal Server Error"},
		{"no XML", xml("hello"), "it is not the multistatus it should be"},
		{"nothing", xml(""), "was cut off on the way"},
		{"other XML", xml("<html/>"), `it begins with "html"`},
		{"no response", xml(`<multistatus xmlns="DAV:"/>`), "it has no response"},
		{"cut off", xml(`<multistatus xmlns="DAV:"><response>`), "was cut off on the way"},
		{"two, none a calendar", xml(`<multistatus xmlns="DAV:"><response/><response/></multistatus>`), "is no calendar collection"},
		{"no calendar", xml(`<multistatus xmlns="DAV:"><response><href>/</href></response></multistatus>`),
			"is no calendar collection: point feeds.house.url at one calendar"},
		{"see other", func(w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, "/x", http.StatusSeeOther) },
			"PROPFIND is answered by See Other"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			d, _ := newDavServer(t)
			d.put("a.ics", object{start: soon, data: cal("a")})
			var handler cell[http.HandlerFunc]
			handler.set(d.ServeHTTP)
			s := serve(t, func(w http.ResponseWriter, r *http.Request) { handler.get()(w, r) })
			f := open(t, Spec{Name: "house", URL: davURL(s.URL)}, Options{Now: newClock().now})
			first := good(t, f)
			handler.set(tt.serve)
			if r := bad(t, f, tt.want); r.Hash != first.Hash || string(r.Body) != string(first.Body) {
				t.Errorf("the last good copy is gone: %q", r.Body)
			}
		})
	}
}

// An answer that is not the whole of it would end windows if it were taken for the whole.
func TestCollectionPartial(t *testing.T) {
	for _, etags := range []bool{true, false} {
		d, s := newDavServer(t)
		d.put("a.ics", object{start: soon, data: cal("a")})
		d.change(func(d *davServer) { d.partial, d.sync = true, etags })
		f := open(t, Spec{URL: davURL(s.URL)}, Options{Now: newClock().now})
		if r := bad(t, f, "gave only some of its events"); r.Body != nil {
			t.Errorf("body %q", r.Body)
		}
	}
}

// Without tokens and without entity tags the whole is read each time, and compared.
func TestCollectionWithoutAnyTag(t *testing.T) {
	d, s := newDavServer(t)
	d.put("a.ics", object{start: soon, data: cal("a")})
	d.change(func(d *davServer) { d.etags = false })
	f := open(t, Spec{URL: davURL(s.URL)}, Options{Now: newClock().now})
	good(t, f)
	if r := good(t, f); !r.Unchanged {
		t.Error("changed")
	}
	d.put("a.ics", object{start: soon, data: cal("b")})
	if r := good(t, f); r.Unchanged || !strings.Contains(string(r.Body), "UID:b") {
		t.Errorf("body %q", r.Body)
	}
}

func TestCollectionAuth(t *testing.T) {
	d, s := newDavServer(t)
	for _, tt := range []struct {
		auth string
		spec Spec
	}{
		{"Basic bWU6aHVudGVyMg==", Spec{User: "me", Password: "hunter2"}}, // me:hunter2 in base 64 (RFC 7617 2)
		{"Bearer hunter2", Spec{Token: "hunter2"}},                        // RFC 6750 2.1
	} {
		d.change(func(d *davServer) { d.auth = tt.auth })
		tt.spec.URL = davURL(s.URL)
		good(t, open(t, tt.spec, Options{Now: newClock().now}))
		bad(t, open(t, Spec{URL: tt.spec.URL}, Options{Now: newClock().now}), "answered 401 Unauthorized")
	}
}

// A redirect keeps the method and the question (RFC 9110 15.4.2 leaves a client that choice), and RFC 6764 6 has servers
// redirect from /.well-known/caldav.
func TestCollectionRedirect(t *testing.T) {
	d, _ := newDavServer(t)
	d.put("a.ics", object{start: soon, data: cal("a")})
	s := serve(t, func(w http.ResponseWriter, r *http.Request) {
		if strings.HasPrefix(r.URL.Path, "/moved/") {
			http.Redirect(w, r, "/me/house/", http.StatusMovedPermanently)
			return
		}
		d.ServeHTTP(w, r)
	})
	f := open(t, Spec{URL: strings.Replace(s.URL, "http", "caldav", 1) + "/moved/"}, Options{Now: newClock().now})
	if r := good(t, f); !strings.Contains(string(r.Body), "UID:a") {
		t.Errorf("body %q", r.Body)
	}
}

// An address that is no calendar gets the calendars there are as its cure.
func TestCollectionDiscovery(t *testing.T) {
	_, s := newDavServer(t)
	caldav := strings.Replace(s.URL, "http", "caldav", 1)
	f := open(t, Spec{Name: "house", URL: caldav}, Options{Now: newClock().now})
	bad(t, f, "is no calendar collection: point feeds.house.url at one of these: "+caldav+"/me/house/, "+caldav+"/me/holidays/")

	d, _ := newDavServer(t)
	s = serve(t, func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/me/before/" {
			w.WriteHeader(http.StatusNotFound)
			return
		}
		d.ServeHTTP(w, r)
	})
	caldav = strings.Replace(s.URL, "http", "caldav", 1)
	moved := open(t, Spec{Name: "house", URL: caldav + "/me/before/"}, Options{Now: newClock().now})
	bad(t, moved, "answered 404 Not Found: point feeds.house.url at one of these: "+caldav+"/me/house/, "+caldav+"/me/holidays/")
}

// A server may close a kept connection just as the next request goes out. PROPFIND is safe to repeat (RFC 4918 9.1), so
// that is no failed poll.
func TestCollectionOverClosedConnection(t *testing.T) {
	d, _ := newDavServer(t)
	d.put("a.ics", object{start: soon, data: cal("a")})
	d.change(func(d *davServer) { d.sync = true })
	var count atomic.Int64
	s := serve(t, func(w http.ResponseWriter, r *http.Request) {
		if count.Add(1) == 3 {
			panic(http.ErrAbortHandler)
		}
		d.ServeHTTP(w, r)
	})
	f := open(t, Spec{URL: davURL(s.URL)}, Options{Now: newClock().now})
	good(t, f) // PROPFIND, REPORT
	good(t, f) // PROPFIND, broken off, and again
	if count.Load() != 4 {
		t.Errorf("%d requests", count.Load())
	}
}

func TestCollectionTooBig(t *testing.T) {
	d, s := newDavServer(t)
	d.put("a.ics", object{start: soon, data: bigCal(100_000)})
	f := open(t, Spec{URL: davURL(s.URL), MaxBody: 50_000}, Options{Now: newClock().now})
	if r := bad(t, f, "is larger than 50000 bytes"); !errors.Is(r.Err, ErrTooBig) {
		t.Errorf("error %v", r.Err)
	}
}

func TestCollectionRestart(t *testing.T) {
	d, s := newDavServer(t)
	d.change(func(d *davServer) { d.ctag = true })
	d.put("a.ics", object{start: soon, data: cal("a")})
	c := newClock()
	spec, o := Spec{Name: "house", URL: davURL(s.URL)}, Options{Store: Dir(t.TempDir()), Now: c.now}
	good(t, open(t, spec, o))
	d.took()
	f := open(t, spec, o)
	if r := good(t, f); r.Unchanged || !strings.Contains(string(r.Body), "UID:a") {
		t.Errorf("unchanged %v, body %q", r.Unchanged, r.Body)
	}
	if diff := cmp.Diff([]string{"PROPFIND"}, d.took()); diff != "" {
		t.Errorf("asked after the restart (-want +got):\n%s", diff)
	}
}
