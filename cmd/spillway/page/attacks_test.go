package page_test

import (
	"bufio"
	"bytes"
	"log/slog"
	"math/big"
	"net"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/net/html"

	"spillway/actions"
	"spillway/actions/journal"
	"spillway/cmd/spillway/page"
)

const (
	password = "four words of a song"
	token    = "Zm91cnRlZW4gYnl0ZXMgYXQgbGVhc3Q"
)

// locked gives a page a name, a password and a token.
func locked(t testing.TB) func(*page.Options) {
	t.Helper()
	hash, err := page.HashPassword(password)
	if err != nil {
		t.Fatal(err)
	}
	return func(o *page.Options) { o.Locks.User, o.Locks.PasswordHash, o.Locks.Token = "ada", hash, token }
}

// Each is refused and moves nothing, with no lock set and so the weakest page there is.
func TestActsRefusedWithoutLocks(t *testing.T) {
	w := newWorld(t)
	p := w.open(t, nil)
	good, cookie := form(t, p, "/put-back")
	other, _ := form(t, p, "/put-back") // of another browser
	mine := "Cookie: " + cookie
	body := "form=" + good + "&window=aheadwin01"
	for _, c := range []struct {
		name string
		r    *http.Request
		want int
	}{
		{"no form at all", request("POST", "/put-back", "", mine), 403},
		{"a form and no cookie", request("POST", "/put-back", body), 403},
		{"another browser's form", request("POST", "/put-back", "form="+other, mine), 403},
		{"another browser's cookie", request("POST", "/put-back", body, "Cookie: spillway-visit=AAAA"), 403},
		{"an empty cookie", request("POST", "/put-back", "form=", "Cookie: spillway-visit="), 403},
		{"the form in the address", request("POST", "/put-back?"+body, "", mine), 403},
		{"another site, by fetch metadata", request("POST", "/put-back", body, mine, "Sec-Fetch-Site: cross-site"), 403},
		{"another port of this machine", request("POST", "/put-back", body, mine, "Sec-Fetch-Site: same-site", "Origin: http://127.0.0.1:3000"), 403},
		{"another site, by origin", request("POST", "/put-back", body, mine, "Origin: https://elsewhere.example"), 403},
		{"an origin that is hidden", request("POST", "/put-back", body, mine, "Origin: null"), 403},
		{"another name pointed here", request("POST", "/put-back", body, mine, "Host: elsewhere.example:8377", "Origin: http://elsewhere.example:8377"), 421},
		{"another name pointed here, reading", request("GET", "/", "", "Host: elsewhere.example"), 421},
		{"another name pointed here, listening", request("GET", "/events", "", "Host: elsewhere.example"), 421},
		{"no name", request("POST", "/put-back", body, mine, "Host: "), 421},
		{"another address", request("GET", "/", "", "Host: 192.0.2.1:8377"), 421},
		{"JSON, which holds no form", request("POST", "/put-back", `{"form":"`+good+`"}`, mine, "Type: application/json"), 403},
		{"too large", request("POST", "/put-back", body+"&x="+strings.Repeat("a", 5000), mine), 413},
		{"not readable", request("POST", "/put-back", body+"&%zz", mine), 400},
		{"PUT", request("PUT", "/put-back", body, mine), 404},
		{"DELETE", request("DELETE", "/put-back", body, mine), 404},
		{"standing down, no form", request("POST", "/stand-down", "window=aheadwin01", mine), 403},
		{"standing down, cross-site", request("POST", "/stand-down", body, mine, "Sec-Fetch-Site: cross-site"), 403},
		{"standing down by reading", request("GET", "/stand-down?window=aheadwin01&form="+good, "", mine), 200},
		{"putting back by reading", request("GET", "/put-back?form="+good, "", mine), 200},
		{"putting back by HEAD", request("HEAD", "/put-back", "", mine), 200},
	} {
		t.Run(c.name, func(t *testing.T) {
			if res := do(p, c.r); res.Code != c.want {
				t.Errorf("status %d, want %d", res.Code, c.want)
			}
			if len(w.moved()) > 0 {
				t.Fatalf("it moved something: %v", w.moved())
			}
		})
	}
}

// What is shown of the state to who has no right to it: nothing.
func TestNothingWithoutLogin(t *testing.T) {
	w := newWorld(t)
	p := w.open(t, locked(t))
	session := login(t, p)
	for _, c := range []struct {
		name string
		r    *http.Request
		want int
	}{
		{"reading", request("GET", "/", ""), 303},
		{"reading with a cookie of ours", request("GET", "/", "", "Cookie: spillway-session=AAAA"), 303},
		{"reading with a visitor's cookie", request("GET", "/", "", "Cookie: spillway-visit="+strings.TrimPrefix(session, "spillway-session=")), 303},
		{"reading by basic authentication", basic(request("GET", "/", ""), "ada", password), 303},
		{"listening", request("GET", "/events", ""), 401},
		{"asking", request("GET", "/put-back", ""), 303},
		{"asking for a window", request("GET", "/stand-down?window=aheadwin01", ""), 303},
		{"acting", request("POST", "/put-back", ""), 401},
		{"acting by basic authentication", basic(request("POST", "/put-back", ""), "ada", password), 401},
		{"acting with a wrong token", request("POST", "/put-back", "", "Authorization: Bearer "+token+"A"), 401},
		{"acting with no token", request("POST", "/put-back", "", "Authorization: Bearer "), 401},
		{"acting with a session and no form", request("POST", "/put-back", "", "Cookie: "+session), 403},
		{"acting with a session from another site", request("POST", "/put-back", "", "Cookie: "+session, "Sec-Fetch-Site: cross-site"), 403},
		{"the calendar without a password", request("GET", "/plan.ics", ""), 404},
		{"guessing paths", request("GET", "/admin", ""), 404},
		{"climbing out of the assets", request("GET", "/assets/..%2ftemplates%2fpage.html", ""), 404},
		{"climbing out of the assets, plainly", request("GET", "/assets/../templates/page.html", ""), 307},
	} {
		t.Run(c.name, func(t *testing.T) {
			res := do(p, c.r)
			if res.Code != c.want {
				t.Errorf("status %d, want %d", res.Code, c.want)
			}
			if strings.Contains(res.Body.String(), "Barn battery") || strings.Contains(res.Body.String(), "Free power") {
				t.Error("it tells of the state")
			}
			if len(w.moved()) > 0 {
				t.Fatalf("it moved something: %v", w.moved())
			}
		})
	}
	// The token of a program needs no form, since no browser sends it by itself.
	if res := do(p, request("POST", "/put-back", "", "Authorization: Bearer "+token)); res.Code != 303 || len(w.moved()) != 1 {
		t.Errorf("the right token: %d, %v", res.Code, w.moved())
	}
}

func basic(r *http.Request, user, password string) *http.Request {
	r.SetBasicAuth(user, password)
	return r
}

// login returns the cookie of a new session, "name=value".
func login(t testing.TB, p http.Handler) string {
	t.Helper()
	form, cookie := form(t, p, "/login")
	res := do(p, request("POST", "/login", "form="+form+"&user=ada&password="+strings.ReplaceAll(password, " ", "+"), "Cookie: "+cookie))
	if res.Code != http.StatusSeeOther {
		t.Fatalf("login: %d %s", res.Code, res.Body)
	}
	c := res.Result().Cookies()[0]
	return c.Name + "=" + c.Value
}

// hostile are texts as a calendar, a device or a file may hold them.
var hostile = []string{
	`<script>alert(1)</script>`,
	`"><img src=x onerror=alert(1)>`,
	`' onmouseover='alert(1)`,
	`</title></svg><script>alert(1)</script>`,
	`{{.Form}} ${alert(1)} javascript:alert(1)`,
	"Free power\r\nSet-Cookie: evil=1\r\n\r\n<html>",
	"\u202egpj.exe\u2066 \x00\x1b[2J\u200f",
	strings.Repeat("W", 5000),
	"\xff\xfe bad",
	"Φ ρεύμα 电 🔌",
}

// Text from outside is text: no element, no attribute, no header comes of it, wherever it stands.
func TestHostileText(t *testing.T) {
	for _, text := range hostile {
		w := newWorld(t)
		w.snap.Plan.Windows[0].Title, w.snap.Plan.Windows[1].Title = text, text
		w.snap.Plan.Windows[1].Problems = []string{text}
		w.snap.Plan.Steps[0].Why = text
		w.snap.Troubles[0].Where, w.snap.Troubles[0].What = text, text
		w.log[2].Note, w.log[2].Step.Why = text, text
		w.feeds[0].Trouble = text
		w.kept = append(w.kept, journal.Window{ID: "activewin1", Title: text})
		w.note, w.gained[0].Window.Title, w.gained[0].Method, w.gained[0].Problems = text, text, text, []string{text}
		w.gained[0].Gain = big.NewRat(1, 3)
		w.snap.Standing.Points[ref("cylinder.boost")] = actions.PointStanding{Hand: actions.Named(text)}
		p := w.open(t, nil)
		for _, path := range []string{"/", "/?window=aheadwin01&device=" + "%22%3E%3Cscript%3E&day=%3Cscript%3E&said=%3Cscript%3E", "/put-back", "/stand-down?window=aheadwin01"} {
			res := do(p, request("GET", path, ""))
			if res.Code != 200 {
				t.Fatalf("%q, %s: %d", text, path, res.Code)
			}
			harmless(t, text, res)
		}
	}
}

func harmless(t *testing.T, text string, res *httptest.ResponseRecorder) {
	t.Helper()
	for name, values := range res.Header() {
		for _, v := range values {
			if strings.ContainsAny(v, "\r\n") || strings.Contains(v, "evil") || strings.Contains(v, "alert") {
				t.Errorf("%q: header %s: %q", text, name, v)
			}
		}
	}
	if body := res.Body.String(); strings.ContainsAny(body, "\u202e\u2066\u200f\x00\x1b") {
		t.Errorf("%q: what turns the text, or a control character, is in the page", text)
	}
	doc, err := html.Parse(bytes.NewReader(res.Body.Bytes()))
	if err != nil {
		t.Fatal(err)
	}
	for n := range doc.Descendants() {
		if n.Type != html.ElementNode {
			continue
		}
		src := attr(n, "src")
		if n.Data == "script" && (!strings.HasPrefix(src, "/assets/page-") || n.FirstChild != nil) || slices.Contains([]string{"img", "iframe", "style", "object", "base", "meta"}, n.Data) && attr(n, "http-equiv")+src != "" {
			t.Errorf("%q: an element came of it: %s %v", text, n.Data, n.Attr)
		}
		for _, a := range n.Attr {
			if strings.HasPrefix(a.Key, "on") || a.Key == "style" || strings.HasPrefix(strings.ToLower(strings.TrimSpace(a.Val)), "javascript:") {
				t.Errorf("%q: an attribute came of it: %s %s=%q", text, n.Data, a.Key, a.Val)
			}
		}
	}
}

func attr(n *html.Node, key string) string {
	for _, a := range n.Attr {
		if a.Key == key {
			return a.Val
		}
	}
	return ""
}

// Every answer, refusals too, says what a browser may do with it.
func TestHeaders(t *testing.T) {
	p := newWorld(t).open(t, locked(t))
	session := "Cookie: " + login(t, p)
	for _, r := range []*http.Request{
		request("GET", "/", "", session), request("GET", "/", ""), request("GET", "/login", ""), request("GET", "/none", ""),
		request("POST", "/put-back", "", session), request("GET", "/", "", "Host: elsewhere.example"),
	} {
		res := do(p, r)
		csp := res.Header().Get("Content-Security-Policy")
		for _, want := range []string{"default-src 'none'", "script-src 'self'", "style-src 'self'", "frame-ancestors 'none'", "form-action 'self'", "base-uri 'none'"} {
			if !strings.Contains(csp, want) {
				t.Errorf("%s: policy %q lacks %s", r.URL, csp, want)
			}
		}
		for name, want := range map[string]string{"X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "same-origin",
			"Cache-Control": "no-store", "Cross-Origin-Resource-Policy": "same-origin", "Cross-Origin-Opener-Policy": "same-origin"} {
			if got := res.Header().Get(name); got != want {
				t.Errorf("%s: %s is %q", r.URL, name, got)
			}
		}
		if strings.Contains(csp, "unsafe") || strings.Contains(csp, "http") || strings.Contains(csp, "*") {
			t.Errorf("%s: the policy is not strict: %q", r.URL, csp)
		}
	}
}

// A pipe listens in memory, so that slow requests take no time of ours.
type pipe struct {
	conns chan net.Conn
	done  chan struct{}
}

func (p *pipe) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.done:
		return nil, net.ErrClosed
	}
}
func (p *pipe) Close() error   { close(p.done); return nil }
func (p *pipe) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8377} }

// Requests that dribble in, or never end, are cut off; the ones after them are served.
func TestSlowRequests(t *testing.T) {
	for _, c := range []struct {
		name, send string
		within     time.Duration
	}{
		{"no request at all", "", 11 * time.Second},
		{"headers that never end", "GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-", 11 * time.Second},
		{"a body that never ends", "POST /put-back HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 4000\r\n\r\n", 21 * time.Second},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newWorld(t)
			synctest.Test(t, func(t *testing.T) {
				ln := &pipe{conns: make(chan net.Conn), done: make(chan struct{})}
				srv := page.NewServer(w.open(t, nil), slog.New(slog.DiscardHandler))
				go func() { _ = srv.Serve(ln) }()
				client, server := net.Pipe()
				ln.conns <- server
				var sending sync.WaitGroup
				sending.Go(func() { // a byte each tenth of a second, for minutes
					for _, b := range []byte(c.send + strings.Repeat("a", 3600)) {
						if _, err := client.Write([]byte{b}); err != nil {
							return
						}
						if len(c.send) == 0 {
							return
						}
						time.Sleep(time.Second / 10)
					}
				})
				began := time.Now()
				answer, _ := http.ReadResponse(bufio.NewReader(client), nil)
				if took := time.Since(began); took > c.within {
					t.Errorf("it was held open for %s", took)
				}
				if answer != nil && answer.StatusCode < 400 {
					t.Errorf("it was served: %s", answer.Status)
				}
				_ = client.Close()
				_ = srv.Close()
				sending.Wait()
			})
			if len(w.moved()) > 0 {
				t.Errorf("it moved something: %v", w.moved())
			}
		})
	}
}

func TestLargeHeaders(t *testing.T) {
	srv := httptest.NewUnstartedServer(nil)
	srv.Config = page.NewServer(newWorld(t).open(t, nil), slog.New(slog.DiscardHandler))
	srv.Start()
	defer srv.Close()
	r, err := http.NewRequest(http.MethodGet, srv.URL, nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("X-Large", strings.Repeat("a", 40<<10))
	res, err := srv.Client().Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusRequestHeaderFieldsTooLarge {
		t.Errorf("status %d", res.StatusCode)
	}
}
