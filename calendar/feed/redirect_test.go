package feed

import (
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/http/httptrace"
	"net/url"
	"strings"
	"sync/atomic"
	"testing"
	"time"
)

// moved is a handler that redirects everything.
func moved(to string, code int) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, to, code) }
}

func TestRedirectIsFollowed(t *testing.T) {
	for _, code := range []int{301, 302, 303, 307, 308} {
		end := serve(t, func(w http.ResponseWriter, r *http.Request) {
			if r.Method != http.MethodGet || r.Referer() != "" {
				t.Errorf("%s with Referer %q", r.Method, r.Referer())
			}
			_, _ = io.WriteString(w, cal("a"))
		})
		s := serve(t, moved(end.URL+"/there.ics", code))
		if r := good(t, open(t, Spec{URL: s.URL + "/secret.ics"}, Options{})); string(r.Body) != cal("a") {
			t.Errorf("%d: body %q", code, r.Body)
		}
	}
}

func TestRedirectLimit(t *testing.T) {
	var asked atomic.Int64
	s := serve(t, func(w http.ResponseWriter, r *http.Request) {
		asked.Add(1)
		var n int
		_, _ = fmt.Sscanf(r.URL.Path, "/%d", &n)
		if n == 0 {
			_, _ = io.WriteString(w, cal("a"))
			return
		}
		http.Redirect(w, r, fmt.Sprintf("/%d", n-1), http.StatusFound)
	})
	good(t, open(t, Spec{URL: s.URL + "/5"}, Options{}))
	asked.Store(0)
	bad(t, open(t, Spec{URL: s.URL + "/6"}, Options{}), "redirects where it is not followed: there are more than 5 redirects")
	if asked.Load() != mostRedirects+1 {
		t.Errorf("asked %d times", asked.Load())
	}
}

// Credentials go to the configured host and port, and nowhere else.
func TestCredentialsStayHome(t *testing.T) {
	for _, spec := range []Spec{{User: "me", Password: "hunter2"}, {Token: "hunter2"}} {
		var home, away cell[string]
		other := serve(t, func(w http.ResponseWriter, r *http.Request) {
			away.set(fmt.Sprint(r.Header))
			_, _ = io.WriteString(w, cal("a"))
		})
		s := serve(t, func(w http.ResponseWriter, r *http.Request) {
			home.set(r.Header.Get("Authorization"))
			switch r.URL.Path {
			case "/away":
				http.Redirect(w, r, other.URL, http.StatusFound)
			case "/within":
				http.Redirect(w, r, "/end", http.StatusFound)
			default:
				_, _ = io.WriteString(w, cal("a"))
			}
		})
		spec.URL = s.URL + "/within"
		good(t, open(t, spec, Options{}))
		if home.get() == "" {
			t.Error("no credentials after a redirect within the host")
		}
		home.set("")
		spec.URL = s.URL + "/away"
		good(t, open(t, spec, Options{}))
		if home.get() == "" {
			t.Error("no credentials for the configured host")
		}
		if got := away.get(); strings.Contains(got, "Authorization") || strings.Contains(got, "hunter2") {
			t.Errorf("credentials went to another host: %s", got)
		}
	}
}

// Where the server that a redirect leads to asks for the password, the fault is the address, not the password.
func TestCredentialsMissedAway(t *testing.T) {
	other := serve(t, func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusUnauthorized) })
	s := serve(t, moved(other.URL+"/ada/secret.ics", http.StatusMovedPermanently))
	bad(t, open(t, Spec{Name: "house", URL: s.URL, User: "me", Password: "hunter2"}, Options{}),
		"redirects to "+other.URL+", which answered 401 Unauthorized: write that server in feeds.house.url")
	bad(t, open(t, Spec{Name: "house", URL: other.URL, User: "me", Password: "hunter2"}, Options{}),
		") answered 401 Unauthorized: check feeds.house.user, feeds.house.password_file")
}

func TestSameServer(t *testing.T) {
	tests := []struct {
		home, to string
		want     bool
	}{
		{"https://calendar.example/a", "https://calendar.example/b", true},
		{"https://calendar.example/a", "https://Calendar.Example:443/b", true},
		{"http://calendar.example/a", "https://calendar.example/b", true},
		{"https://calendar.example/a", "http://calendar.example/b", false},
		{"http://calendar.example:5232/a", "https://calendar.example/b", false},
		{"https://calendar.example/a", "https://calendar.example:8443/b", false},
		{"https://calendar.example/a", "https://sub.calendar.example/b", false},
		{"https://calendar.example/a", "https://calendar.example.org/b", false},
	}
	for _, tt := range tests {
		home, to := mustURL(t, tt.home), mustURL(t, tt.to)
		if got := sameServer(home, to); got != tt.want {
			t.Errorf("%s to %s: %v, want %v", tt.home, tt.to, got, tt.want)
		}
	}
}

func mustURL(t *testing.T, raw string) *url.URL {
	t.Helper()
	u, err := url.Parse(raw)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

// Where a redirect may not lead, written out in the redirect itself.
func TestRedirectRefused(t *testing.T) {
	tests := []struct{ to, want string }{
		{"http://169.254.169.254/latest/meta-data/", "169.254.169.254 is a link-local address"},
		{"http://169.254.10.20:8080/a.ics", "is a link-local address"},
		{"http://[fe80::1]/a.ics", "is a link-local address"},
		{"http://[::ffff:169.254.169.254]/", "is a link-local address"},
		{"http://[fd00:ec2::254]/", "is a metadata address"},
		{"http://100.100.100.200/", "is a metadata address"},
		{"http://0.0.0.0/", "is no host's address"},
		{"file:///etc/passwd", "file is no scheme to be redirected to"},
		{"ftp://calendar.example/a.ics", "ftp is no scheme to be redirected to"},
		{"http:///a.ics", "has no host"},
		{"http://[fe80::1", "cannot be read"},
	}
	for _, tt := range tests {
		s := serve(t, func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Location", tt.to)
			w.WriteHeader(http.StatusFound)
		})
		f := open(t, Spec{Name: "house", URL: s.URL}, Options{})
		bad(t, f, "redirects where it is not followed", tt.want, "point feeds.house.url at where it should be read from")
	}
}

func TestRedirectDowngrade(t *testing.T) {
	plain := serve(t, func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, cal("a")) })
	s := httptest.NewTLSServer(moved(plain.URL, http.StatusFound))
	t.Cleanup(s.Close)
	bad(t, open(t, Spec{URL: s.URL, CAFile: caFile(t, s)}, Options{}), "is not encrypted and the feed is")
}

// A name that leads to a forbidden address is refused when it is dialled, whatever it was when it was looked at.
func TestRedirectByName(t *testing.T) {
	for _, tt := range []struct{ ip, want string }{
		{"169.254.169.254", "is a link-local address"},
		{"100.100.100.200", "is a metadata address"},
	} {
		var asked atomic.Int64
		s := serve(t, moved("http://rebind.example:8080/a.ics", http.StatusFound))
		o := Options{hooks: hooks{resolver: fakeDNS(tt.ip, &asked)}}
		bad(t, open(t, Spec{URL: s.URL}, o), tt.want)
		if asked.Load() == 0 {
			t.Error("the name was not looked up: the test shows nothing")
		}
	}
}

// A public calendar may not send the feed into the house's own network.
func TestRedirectFromPublicToPrivate(t *testing.T) {
	var reached atomic.Bool
	box := serve(t, func(http.ResponseWriter, *http.Request) { reached.Store(true) })
	port := mustURL(t, box.URL).Port()
	for _, to := range []string{box.URL, "http://barn.example:" + port + "/"} {
		var asked atomic.Int64
		f := open(t, Spec{URL: "http://calendar.example/a.ics"}, Options{hooks: hooks{resolver: fakeDNS("127.0.0.1", &asked)}})
		f.source.(*web).client.near = roundTrip(func(r *http.Request) (*http.Response, error) {
			return &http.Response{StatusCode: 302, Header: http.Header{"Location": {to}}, Body: http.NoBody, Request: r}, nil
		})
		bad(t, f, "127.0.0.1 is a private address and the feed is a public one")
	}
	if reached.Load() {
		t.Error("the box was reached")
	}
}

// Once a redirect has led out into the world it may not lead back in, though the configured host is private: not to a box
// that was reached before, and not by way of the configured host.
func TestRedirectOutAndBack(t *testing.T) {
	var asked, reached atomic.Int64
	box := serve(t, func(w http.ResponseWriter, _ *http.Request) {
		reached.Add(1)
		_, _ = io.WriteString(w, cal("a"))
	})
	barn := "http://barn.example:" + mustURL(t, box.URL).Port()
	var to, out cell[string]
	s := serve(t, func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "/onward" {
			http.Redirect(w, r, barn, http.StatusFound)
			return
		}
		http.Redirect(w, r, to.get(), http.StatusFound)
	})
	f := open(t, Spec{URL: s.URL}, Options{hooks: hooks{resolver: fakeDNS("127.0.0.1", &asked)}})
	c := f.source.(*web).client
	guarded := c.away
	c.away = roundTrip(func(r *http.Request) (*http.Response, error) {
		if r.URL.Host != "calendar.example" {
			return guarded.RoundTrip(r)
		}
		public := fakeConn{addr: &net.TCPAddr{IP: net.IPv4(93, 184, 215, 14), Port: 80}}
		httptrace.ContextClientTrace(r.Context()).GotConn(httptrace.GotConnInfo{Conn: public})
		return &http.Response{StatusCode: 302, Header: http.Header{"Location": {out.get()}}, Body: http.NoBody, Request: r}, nil
	})
	to.set(barn)
	good(t, f)
	if reached.Load() != 1 || asked.Load() == 0 {
		t.Fatalf("the box was reached %d times, names looked up %d times", reached.Load(), asked.Load())
	}
	to.set("http://calendar.example/")
	for _, onward := range []string{barn, s.URL + "/onward"} {
		out.set(onward)
		bad(t, f, "127.0.0.1 is a private address and the feed is a public one")
	}
	if reached.Load() != 1 {
		t.Errorf("the box was reached %d times", reached.Load())
	}
}

// A fakeConn has an address and nothing else.
type fakeConn struct {
	net.Conn
	addr net.Addr
}

func (c fakeConn) RemoteAddr() net.Addr { return c.addr }

// The configured host itself may be anywhere, a redirect of it within the local network too.
func TestRedirectWithinPrivate(t *testing.T) {
	var asked atomic.Int64
	box := serve(t, func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, cal("a")) })
	s := serve(t, moved("http://barn.example:"+mustURL(t, box.URL).Port(), http.StatusFound))
	good(t, open(t, Spec{URL: s.URL}, Options{hooks: hooks{resolver: fakeDNS("127.0.0.1", &asked)}}))
	if asked.Load() == 0 {
		t.Error("the name was not looked up: the test shows nothing")
	}
}

// fakeDNS answers every question for an IPv4 address with ip (RFC 1035 4.1, 4.2.2), in memory.
func fakeDNS(ip string, asked *atomic.Int64) *net.Resolver {
	return &net.Resolver{PreferGo: true, Dial: func(context.Context, string, string) (net.Conn, error) {
		asked.Add(1)
		near, far := net.Pipe()
		go func() {
			defer func() { _ = far.Close() }()
			_ = far.SetDeadline(time.Now().Add(5 * time.Second))
			var size uint16
			if binary.Read(far, binary.BigEndian, &size) != nil {
				return
			}
			query := make([]byte, size)
			if _, err := io.ReadFull(far, query); err != nil {
				return
			}
			answer := dnsAnswer(query, net.ParseIP(ip).To4())
			_, _ = far.Write(append(binary.BigEndian.AppendUint16(nil, uint16(len(answer))), answer...))
		}()
		return near, nil
	}}
}

func dnsAnswer(query, ip []byte) []byte {
	end := 12 // of the question: labels, a zero, type and class
	for query[end] != 0 {
		end += int(query[end]) + 1
	}
	end += 5
	isA := query[end-3] == 1
	out := append([]byte{}, query[:2]...)
	out = append(out, 0x81, 0x80, 0, 1, 0, 0, 0, 0, 0, 0)
	out = append(out, query[12:end]...)
	if isA {
		out[7] = 1
		out = append(out, 0xc0, 12, 0, 1, 0, 1, 0, 0, 0, 0, 0, 4)
		out = append(out, ip...)
	}
	return out
}
