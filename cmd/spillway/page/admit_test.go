package page

import (
	"log/slog"
	"net/http"
	"net/http/httptest"
	"testing"
	"time"
)

// TestReading tries who may read what stands beside the page.
func TestReading(t *testing.T) {
	hash, err := HashPassword("four words of a song")
	if err != nil {
		t.Fatal(err)
	}
	open := Locks{Listen: "127.0.0.1:8377"}
	locked := Locks{Listen: "127.0.0.1:8377", User: "ada", PasswordHash: hash, Token: "a token of its own"}
	tests := []struct {
		name         string
		locks        Locks
		host, remote string
		ask          func(*http.Request)
		want         int
	}{
		{"this machine", open, "127.0.0.1:8377", "127.0.0.1:5000", nil, 200},
		{"this machine, IPv6", open, "[::1]:8377", "[::1]:5000", nil, 200},
		{"this machine, mapped", open, "localhost", "[::ffff:127.0.0.1]:5000", nil, 200},
		{"another machine", open, "127.0.0.1:8377", "192.0.2.7:5000", nil, 403},
		{"no address", open, "127.0.0.1:8377", "@", nil, 403},
		{"a name pointed here", open, "evil.example", "127.0.0.1:5000", nil, 421},
		{"nothing given", locked, "127.0.0.1:8377", "127.0.0.1:5000", nil, 401},
		{"the token", locked, "127.0.0.1:8377", "192.0.2.7:5000", func(r *http.Request) { r.Header.Set("Authorization", "Bearer a token of its own") }, 200},
		{"a wrong token", locked, "127.0.0.1:8377", "192.0.2.7:5000", func(r *http.Request) { r.Header.Set("Authorization", "Bearer another") }, 401},
		{"name and password", locked, "127.0.0.1:8377", "192.0.2.7:5000", func(r *http.Request) { r.SetBasicAuth("ada", "four words of a song") }, 200},
		{"a wrong password", locked, "127.0.0.1:8377", "192.0.2.7:5000", func(r *http.Request) { r.SetBasicAuth("ada", "hunter2") }, 401},
		{"a wrong name", locked, "127.0.0.1:8377", "192.0.2.7:5000", func(r *http.Request) { r.SetBasicAuth("eve", "four words of a song") }, 401},
		{"locked, and a name pointed here", locked, "evil.example", "127.0.0.1:5000", func(r *http.Request) { r.Header.Set("Authorization", "Bearer a token of its own") }, 421},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			k, err := newKeeper(test.locks, time.Now, slog.New(slog.DiscardHandler))
			if err != nil {
				t.Fatal(err)
			}
			p := &Page{keeper: k, hosts: newHosts(test.locks), log: slog.New(slog.DiscardHandler)}
			read := false
			h := p.Reading(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { read = true }))
			r := httptest.NewRequest("GET", "/metrics", nil)
			r.Host, r.RemoteAddr = test.host, test.remote
			if test.ask != nil {
				test.ask(r)
			}
			w := httptest.NewRecorder()
			h.ServeHTTP(w, r)
			if w.Code != test.want || read != (test.want == 200) {
				t.Errorf("%d, read %v; want %d", w.Code, read, test.want)
			}
			if w.Header().Get("X-Content-Type-Options") != "nosniff" {
				t.Error("the answer has not the page's headers")
			}
		})
	}
}
