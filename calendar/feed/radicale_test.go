package feed

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"
)

// The checks against a real server: Radicale, as .ci/radicale starts it. SPILLWAY_RADICALE is its base address, and
// SPILLWAY_RADICALE_USER and _PASSWORD open the collection USER/house/, which holds an event "put by curl" of tomorrow.

type radicale struct {
	base, user, password string
}

func realServer(t *testing.T) radicale {
	t.Helper()
	r := radicale{
		base:     strings.TrimSuffix(os.Getenv("SPILLWAY_RADICALE"), "/"),
		user:     os.Getenv("SPILLWAY_RADICALE_USER"),
		password: os.Getenv("SPILLWAY_RADICALE_PASSWORD"),
	}
	if r.base == "" {
		t.Skip("SPILLWAY_RADICALE is not set: .ci/radicale starts a Radicale and runs this")
	}
	return r
}

func (r radicale) spec(scheme string) Spec {
	return Spec{
		Name: "house", URL: strings.Replace(r.base, "http", scheme, 1) + "/" + r.user + "/house/",
		User: r.user, Password: Secret(r.password),
	}
}

// do changes the collection as another program would; at the end of a test too, when its own context has ended.
func (r radicale) do(t *testing.T, method, name, body string) {
	t.Helper()
	req, err := http.NewRequestWithContext(context.Background(), method, r.spec("http").URL+name, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	req.SetBasicAuth(r.user, r.password)
	if body != "" {
		req.Header.Set("Content-Type", "text/calendar; charset=utf-8")
	}
	tr := &http.Transport{DisableKeepAlives: true}
	resp, err := tr.RoundTrip(req)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = resp.Body.Close() }()
	if text, _ := io.ReadAll(resp.Body); resp.StatusCode/100 != 2 {
		t.Fatalf("%s %s: %s: %s", method, name, resp.Status, text)
	}
}

// at is an event that far from now, in a calendar of its own.
func at(uid string, from time.Duration) string {
	begin := time.Now().UTC().Add(from)
	return strings.NewReplacer("20260505T120000Z", begin.Format(timeForm), "20260505T130000Z", begin.Add(time.Hour).Format(timeForm)).Replace(cal(uid))
}

func TestRadicale(t *testing.T) {
	server := realServer(t)
	for _, scheme := range []string{"http", "webcal", "caldav"} {
		t.Run(scheme, func(t *testing.T) {
			var asked []string
			o := Options{Store: Dir(t.TempDir()), Wrap: func(next http.RoundTripper) http.RoundTripper {
				return roundTrip(func(r *http.Request) (*http.Response, error) {
					resp, err := next.RoundTrip(r)
					if err == nil {
						asked = append(asked, fmt.Sprintf("%s %d", r.Method, resp.StatusCode))
					}
					return resp, err
				})
			}}
			f := open(t, server.spec(scheme), o)
			first := good(t, f)
			if !strings.Contains(string(first.Body), "SUMMARY:put by curl") || checkBody(first.Body) != nil {
				t.Fatalf("body %q", first.Body)
			}
			asked = nil
			if r := good(t, f); !r.Unchanged || len(asked) != 1 {
				t.Errorf("unchanged %v after %q", r.Unchanged, asked)
			}
			t.Logf("an unchanged poll asks %q", asked)

			server.do(t, http.MethodPut, "added.ics", at("added", 48*time.Hour))
			r := good(t, f)
			if r.Unchanged || !strings.Contains(string(r.Body), "UID:added") || !strings.Contains(string(r.Body), "put by curl") {
				t.Errorf("after an event was added: unchanged %v, body %q", r.Unchanged, r.Body)
			}
			server.do(t, http.MethodDelete, "added.ics", "")
			if r := good(t, f); strings.Contains(string(r.Body), "UID:added") || !strings.Contains(string(r.Body), "put by curl") {
				t.Errorf("after it was deleted: body %q", r.Body)
			}

			if err := f.Close(); err != nil {
				t.Fatal(err)
			}
			f = open(t, server.spec(scheme), o)
			asked = nil
			if r := good(t, f); !strings.Contains(string(r.Body), "put by curl") || len(asked) != 1 {
				t.Errorf("after a restart: asked %q, body %q", asked, r.Body)
			}

			short := server.spec(scheme)
			short.URL = strings.TrimSuffix(short.URL, "/")
			if r := good(t, open(t, short, Options{})); !strings.Contains(string(r.Body), "put by curl") {
				t.Errorf("without the last slash: body %q", r.Body)
			}

			wrong := server.spec(scheme)
			wrong.Password = "wrong"
			bad(t, open(t, wrong, Options{}), "answered 401 Unauthorized: check feeds.house.user, feeds.house.password_file")
		})
	}
}

// Only a collection's events in range are asked for.
func TestRadicaleRange(t *testing.T) {
	server := realServer(t)
	day := 24 * time.Hour
	for uid, from := range map[string]time.Duration{"past": -60 * day, "near": 3 * day, "far": 200 * day} {
		server.do(t, http.MethodPut, uid+".ics", at(uid, from))
		t.Cleanup(func() { server.do(t, http.MethodDelete, uid+".ics", "") })
	}
	rule := strings.Replace(at("weekly", -700*day), "SUMMARY", "RRULE:FREQ=WEEKLY\r\nSUMMARY", 1)
	server.do(t, http.MethodPut, "weekly.ics", rule)
	t.Cleanup(func() { server.do(t, http.MethodDelete, "weekly.ics", "") })
	body := string(good(t, open(t, server.spec("caldav"), Options{})).Body)
	for uid, want := range map[string]bool{"past": false, "near": true, "far": false, "weekly": true} {
		if got := strings.Contains(body, "UID:"+uid); got != want {
			t.Errorf("%s is there: %v, want %v", uid, got, want)
		}
	}
}

func TestRadicaleDiscovery(t *testing.T) {
	server := realServer(t)
	spec := server.spec("caldav")
	want := "point feeds.house.url at one of these: " + spec.URL
	for _, path := range []string{"/", "/" + server.user + "/"} {
		spec.URL = strings.Replace(server.base, "http", "caldav", 1) + path
		bad(t, open(t, spec, Options{}), "is no calendar collection", want)
	}
}
