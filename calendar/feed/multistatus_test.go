package feed

import (
	"errors"
	"io"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"
)

// testText bounds texts in tests, in place of mostText, which takes a race detector too long.
const testText = 1 << 18

func readAll(body string) ([]davResponse, error) {
	var out []davResponse
	err := readMultistatusWithin(strings.NewReader(body), testText, func(r davResponse) error {
		out = append(out, r)
		return nil
	})
	return out, err
}

// The forms in which servers write the same (XML namespaces; RFC 4918 14.16 multistatus, 14.22 propstat, 14.24 response;
// RFC 4791 9.6 calendar-data).
func TestReadMultistatus(t *testing.T) {
	object := davResponse{href: "/me/a.ics", davProps: davProps{etag: `"1"`, data: []byte("BEGIN:VCALENDAR\nX:a&b\nEND:VCALENDAR")}}
	tests := []struct {
		name, body string
		want       []davResponse
	}{
		{"default namespace, escaped", `<multistatus xmlns="DAV:" xmlns:c="urn:ietf:params:xml:ns:caldav"><response><href>/me/a.ics</href>
			<propstat><prop><getetag>"1"</getetag><c:calendar-data>BEGIN:VCALENDAR&#13;
X:a&amp;b
END:VCALENDAR
</c:calendar-data></prop><status>HTTP/1.1 200 OK</status></propstat></response></multistatus>`,
			[]davResponse{{href: object.href, davProps: davProps{etag: `"1"`, data: []byte("BEGIN:VCALENDAR\r\nX:a&b\nEND:VCALENDAR")}}}},
		{"prefixes, CDATA, status first", `<?xml version="1.0" encoding="utf-8"?><!-- c > " --><a:multistatus xmlns:a="DAV:"><a:response><a:href> /me/a.ics
			</a:href><a:propstat><a:status>HTTP/1.1 200 OK</a:status><a:prop><a:getetag>"1"</a:getetag><q:calendar-data
			xmlns:q="urn:ietf:params:xml:ns:caldav" content-type='text/calendar'><![CDATA[BEGIN:VCALENDAR
X:a&b
END:VCALENDAR]]></q:calendar-data></a:prop></a:propstat></a:response></a:multistatus>`, []davResponse{object}},
		{"found and missing", `<multistatus xmlns="DAV:"><response><href>/</href>
			<propstat><prop><getetag>no</getetag><sync-token>no</sync-token></prop><status>HTTP/1.1 404 Not Found</status></propstat>
			<propstat><prop><sync-token>yes</sync-token></prop><status>HTTP/2 200</status></propstat></response></multistatus>`,
			[]davResponse{{href: "/", davProps: davProps{syncToken: "yes"}}}},
		{"a calendar", `<multistatus xmlns="DAV:"><response><href>/</href><propstat><prop><resourcetype><collection/>
			<calendar xmlns="urn:ietf:params:xml:ns:caldav"/></resourcetype><x:getctag xmlns:x="http://calendarserver.org/ns/">9</x:getctag>
			</prop><status>HTTP/1.1 200 OK</status></propstat></response></multistatus>`,
			[]davResponse{{href: "/", davProps: davProps{calendar: true, ctag: "9"}}}},
		{"names of other namespaces", `<multistatus xmlns="DAV:"><response><x:href xmlns:x="x">no</x:href><href>/</href><propstat><prop>
			<resourcetype><calendar/></resourcetype><getetag xmlns="x">no</getetag></prop><status>HTTP/1.1 200 OK</status></propstat>
			</response><sync-token>not asked for</sync-token></multistatus>`, []davResponse{{href: "/"}}},
		{"a resource's own status", `<multistatus xmlns="DAV:"><response><href>/a</href><status>HTTP/1.1 404 Not Found</status></response>
			<response><href>/b</href><status>nonsense</status><error><x/></error></response></multistatus>`,
			[]davResponse{{href: "/a", status: 404}, {href: "/b"}}},
		{"two addresses", `<multistatus xmlns="DAV:"><response><href>/a</href><href>/b</href></response></multistatus>`, []davResponse{{href: "/a"}}},
		{"empty data", `<multistatus xmlns="DAV:"><response><href>/a</href><propstat><prop>
			<calendar-data xmlns="urn:ietf:params:xml:ns:caldav"/></prop><status>HTTP/1.1 200 OK</status></propstat></response></multistatus>`,
			[]davResponse{{href: "/a", davProps: davProps{data: []byte{}}}}},
		{"none", `<multistatus xmlns="DAV:"/>`, nil},
	}
	for _, tt := range tests {
		got, err := readAll(tt.body)
		if diff := cmp.Diff(tt.want, got, cmp.AllowUnexported(davResponse{}, davProps{})); err != nil || diff != "" {
			t.Errorf("%s: %v (-want +got):\n%s", tt.name, err, diff)
		}
	}
}

func TestReadMultistatusRefuses(t *testing.T) {
	whole := `<multistatus xmlns="DAV:"><response><href>/a</href></response></multistatus>`
	for cut := range len(whole) {
		if _, err := readAll(whole[:cut]); !errors.Is(err, io.ErrUnexpectedEOF) && !errors.Is(err, errXML) {
			t.Errorf("cut at %d: %v", cut, err)
		}
	}
	inside := func(s string) string { return strings.Replace(whole, "<href>", s+"<href>", 1) }
	tests := map[string]string{
		"text":             "BEGIN:VCALENDAR",
		"no namespace":     "<multistatus/>",
		"another root":     `<error xmlns="DAV:"/>`,
		"two roots":        whole + whole,
		"crossed tags":     `<multistatus xmlns="DAV:"><response></multistatus></response>`,
		"unknown entity":   inside("<x>&lol;</x>"),
		"declared entity":  `<!DOCTYPE m [<!ENTITY lol "lol">]>` + inside("<x>&lol;</x>"),
		"another encoding": `<?xml version="1.0" encoding="utf-16"?>` + whole,
		"not UTF-8":        inside("<x>\xff</x>"),
		"deep":             inside(strings.Repeat("<x>", 100)),
		"wide":             inside("<x" + strings.Repeat(` a=""`, 100_000) + "/>"),
		"wide, quoted":     inside(`<x a=">"` + strings.Repeat(` a=""`, 40_000) + "/>"),
		"long name":        inside("<" + strings.Repeat("x", 100_000) + "/>"),
		"long text":        inside("<x>" + strings.Repeat("x", testText+1) + "</x>"),
		"long CDATA":       inside("<x><![CDATA[" + strings.Repeat("]", testText+1) + "]]></x>"),
		"long in pieces":   strings.Replace(whole, "/a", strings.Repeat("<![CDATA["+strings.Repeat("x", testText/4)+"]]>", 5), 1),
		"many":             `<multistatus xmlns="DAV:">` + strings.Repeat("<response/>", mostResponses+1) + "</multistatus>",
	}
	for name, body := range tests {
		if _, err := readAll(body); !errors.Is(err, errXML) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// What the connection says goes before what the XML then lacks.
func TestReadMultistatusPassesErrorsOn(t *testing.T) {
	want := errors.New("reset")
	r := io.MultiReader(strings.NewReader(`<multistatus xmlns="DAV:"><resp`), iotest.ErrReader(want))
	if err := readMultistatus(r, func(davResponse) error { return nil }); !errors.Is(err, want) {
		t.Errorf("error %v", err)
	}
	if err := readMultistatus(strings.NewReader(`<multistatus xmlns="DAV:"><response/></multistatus>`), func(davResponse) error { return want }); !errors.Is(err, want) {
		t.Errorf("error %v", err)
	}
}

// The guard changes nothing of what it passes on.
func FuzzMultistatus(f *testing.F) {
	f.Add(`<multistatus xmlns="DAV:"><response><href>/a</href><status>HTTP/1.1 200 OK</status></response></multistatus>`)
	f.Add(`<?xml version="1.0"?><!DOCTYPE a><a:multistatus xmlns:a="DAV:"><!-- " > --><a:response b='>'><![CDATA[ ]]]]>]]></a:response></a:multistatus>`)
	f.Add(`<multistatus xmlns="DAV:"><response><href>/a</href><propstat><prop><calendar-data xmlns="urn:ietf:params:xml:ns:caldav">BEGIN:VCALENDAR` +
		`</calendar-data><getetag>"x"</getetag></prop><status>HTTP/1.1 200 OK</status></propstat></response></multistatus>`)
	f.Fuzz(func(t *testing.T, body string) {
		passed, err := io.ReadAll(&tagGuard{r: strings.NewReader(body), most: testText})
		if err == nil && string(passed) != body {
			t.Errorf("%q became %q", body, passed)
		}
		responses, err := readAll(body)
		if err != nil && !errors.Is(err, errXML) && !errors.Is(err, io.ErrUnexpectedEOF) {
			t.Errorf("%q: an error of another kind: %v", body, err)
		}
		if err == nil && !strings.Contains(body, "multistatus") {
			t.Errorf("%q passes with %d responses", body, len(responses))
		}
	})
}
