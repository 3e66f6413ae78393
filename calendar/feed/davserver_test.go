package feed

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"hash/fnv"
	"io"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// A davServer is a small CalDAV server: one calendar at /me/house/ (RFC 4791 4.2), and what a client may ask of it here.
type davServer struct {
	mu      sync.Mutex
	objects map[string]object // by file name
	sync    bool              // has DAV:sync-token (RFC 6578)
	ctag    bool              // has CS:getctag
	etags   bool
	partial bool   // answers 507 for the collection beside some objects
	auth    string // the Authorization it wants; "" for none
	version int
	asked   []string // METHOD and what was asked for
}

type object struct {
	start time.Time // events overlap a range by this alone
	data  string
	code  int // for the object, in place of its data; 0 for none
}

func newDavServer(t *testing.T) (*davServer, *httptest.Server) {
	d := &davServer{objects: map[string]object{}, etags: true}
	return d, serve(t, d.ServeHTTP)
}

func (d *davServer) put(name string, o object) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.objects[name] = o
	d.version++
}

func (d *davServer) remove(name string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	delete(d.objects, name)
	d.version++
}

// change sets how the server behaves.
func (d *davServer) change(f func(*davServer)) {
	d.mu.Lock()
	defer d.mu.Unlock()
	f(d)
}

// took returns what was asked since the last call.
func (d *davServer) took() []string {
	d.mu.Lock()
	defer d.mu.Unlock()
	asked := d.asked
	d.asked = nil
	return asked
}

func (d *davServer) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	d.mu.Lock()
	defer d.mu.Unlock()
	body, _ := io.ReadAll(r.Body)
	switch {
	case d.auth != "" && r.Header.Get("Authorization") != d.auth:
		w.WriteHeader(http.StatusUnauthorized)
	case r.Method == "PROPFIND" && r.URL.Path == "/me/house/" && r.Header.Get("Depth") == "0":
		d.asked = append(d.asked, "PROPFIND")
		d.multistatus(w, d.collection())
	case r.Method == "PROPFIND":
		d.asked = append(d.asked, "PROPFIND "+r.URL.Path)
		d.multistatus(w, d.find(r.URL.Path, body))
	case r.Method == "REPORT" && r.URL.Path == "/me/house/" && r.Header.Get("Depth") == "1":
		d.report(w, body)
	default:
		w.WriteHeader(http.StatusNotFound)
	}
}

func (d *davServer) multistatus(w http.ResponseWriter, responses string) {
	w.Header().Set("Content-Type", `application/xml; charset="utf-8"`)
	w.WriteHeader(http.StatusMultiStatus)
	_, _ = io.WriteString(w, `<?xml version="1.0"?><D:multistatus xmlns:D="DAV:" xmlns:C="urn:ietf:params:xml:ns:caldav" xmlns:S="http://calendarserver.org/ns/">`+
		responses+`</D:multistatus>`)
}

// response is one resource; missing are properties that it has not (RFC 4918 9.1).
func response(href, found, missing string) string {
	s := "<D:response><D:href>" + href + "</D:href>"
	if found != "" {
		s += "<D:propstat><D:prop>" + found + "</D:prop><D:status>HTTP/1.1 200 OK</D:status></D:propstat>"
	}
	if missing != "" {
		s += "<D:propstat><D:prop>" + missing + "</D:prop><D:status>HTTP/1.1 404 Not Found</D:status></D:propstat>"
	}
	return s + "</D:response>"
}

const calendarType = "<D:resourcetype><D:collection/><C:calendar/></D:resourcetype>"

func (d *davServer) collection() string {
	found, missing := calendarType, ""
	if d.sync {
		found += fmt.Sprintf("<D:sync-token>http://calendar.example/sync/%d</D:sync-token>", d.version)
	} else {
		missing += "<D:sync-token/>"
	}
	if d.ctag {
		found += fmt.Sprintf("<S:getctag>\"%d\"</S:getctag>", d.version)
	} else {
		missing += "<S:getctag/>"
	}
	return response("/me/house/", found, missing)
}

// find answers what discovery asks: the principal, its home, and the calendars there.
func (d *davServer) find(path string, body []byte) string {
	switch {
	case bytes.Contains(body, []byte("current-user-principal")):
		return response(path, "<D:current-user-principal><D:href>/principals/me/</D:href></D:current-user-principal>", "")
	case bytes.Contains(body, []byte("calendar-home-set")):
		return response(path, "<C:calendar-home-set><D:href>/me/</D:href></C:calendar-home-set>", "")
	case path == "/me/":
		return response("/me/", "<D:resourcetype><D:collection/></D:resourcetype>", "") +
			response("/me/house/", calendarType, "") + response("/me/holidays/", calendarType, "")
	}
	return response(path, "<D:resourcetype><D:collection/></D:resourcetype>", "<D:sync-token/>")
}

func (d *davServer) report(w http.ResponseWriter, body []byte) {
	var query struct {
		XMLName xml.Name  `xml:"urn:ietf:params:xml:ns:caldav calendar-query"`
		ETag    *struct{} `xml:"DAV: prop>getetag"`
		Data    *struct{} `xml:"DAV: prop>calendar-data"`
		Outer   struct {
			Name  string `xml:"name,attr"`
			Inner struct {
				Name  string `xml:"name,attr"`
				Range struct {
					Start string `xml:"start,attr"`
					End   string `xml:"end,attr"`
				} `xml:"urn:ietf:params:xml:ns:caldav time-range"`
			} `xml:"urn:ietf:params:xml:ns:caldav comp-filter"`
		} `xml:"urn:ietf:params:xml:ns:caldav filter>comp-filter"`
	}
	err := xml.Unmarshal(body, &query)
	wantsData := bytes.Contains(body, []byte("calendar-data"))
	from, err1 := time.Parse("20060102T150405Z", query.Outer.Inner.Range.Start)
	to, err2 := time.Parse("20060102T150405Z", query.Outer.Inner.Range.End)
	if err != nil || err1 != nil || err2 != nil || query.Outer.Name != "VCALENDAR" || query.Outer.Inner.Name != "VEVENT" {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	d.asked = append(d.asked, map[bool]string{true: "REPORT data", false: "REPORT etags"}[wantsData])
	var names []string
	for name, o := range d.objects {
		if !o.start.Before(from) && o.start.Before(to) {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	slices.Reverse(names) // a server may answer in any order
	var out strings.Builder
	for _, name := range names {
		out.WriteString(d.object(name, wantsData))
	}
	if d.partial {
		out.WriteString("<D:response><D:href>/me/house/</D:href><D:status>HTTP/1.1 507 Insufficient Storage</D:status></D:response>")
	}
	d.multistatus(w, out.String())
}

func (d *davServer) object(name string, wantsData bool) string {
	o := d.objects[name]
	if o.code != 0 {
		return fmt.Sprintf("<D:response><D:href>/me/house/%s</D:href><D:status>HTTP/1.1 %d No</D:status></D:response>", name, o.code)
	}
	found := ""
	if d.etags {
		sum := fnv.New64()
		_, _ = io.WriteString(sum, o.data)
		found = fmt.Sprintf("<D:getetag>\"%x\"</D:getetag>", sum.Sum64())
	}
	if wantsData {
		var text bytes.Buffer
		_ = xml.EscapeText(&text, []byte(o.data))
		found += "<C:calendar-data>" + text.String() + "</C:calendar-data>"
	}
	return response("/me/house/"+name, found, "")
}
