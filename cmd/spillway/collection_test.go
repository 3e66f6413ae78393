package main

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"spillway/actions/publish"
	"spillway/actions/run"
	"spillway/config"
)

func TestCollectorBacksOff(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		var mu sync.Mutex
		var at []time.Duration
		away := true
		tried := func(nowAway bool) []time.Duration {
			mu.Lock()
			defer mu.Unlock()
			away = nowAway
			return slices.Clone(at)
		}
		c := &collector{clock: run.System{}, log: slog.New(slog.DiscardHandler), wake: make(chan struct{}, 1),
			entries: func() []publish.Stamped { return nil },
			sync: func(context.Context, []publish.Stamped) (int, int, error) {
				mu.Lock()
				defer mu.Unlock()
				at = append(at, time.Since(began))
				if away {
					return 0, 0, errors.New("no answer")
				}
				return 1, 0, nil
			}}
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() { c.run(ctx); close(ended) }()
		for range 10 {
			c.changed() // never waits, however often it is said
		}
		time.Sleep(3 * time.Minute)
		if got, want := tried(false), []time.Duration{5 * time.Second, 35 * time.Second, 95 * time.Second}; !slices.Equal(got, want) {
			t.Errorf("tried after %v, want %v", got, want)
		}
		if f := c.faults(); len(f) != 1 || f[0].Since.Sub(began.UTC()) != 5*time.Second {
			t.Errorf("faults %+v", f)
		}
		time.Sleep(time.Hour)
		if f := c.faults(); len(f) != 0 {
			t.Errorf("faults afterwards: %+v", f)
		}
		n := len(tried(false))
		c.changed()
		synctest.Wait()
		stop() // what is unsaid at the end is put at once
		<-ended
		if got := len(tried(false)); got != n+1 {
			t.Errorf("%d tries at the end, want 1", got-n)
		}
	})
}

func TestCollectorIsNilWithoutACollection(t *testing.T) {
	var c *collector
	c.changed()
	if c.faults() != nil {
		t.Error("a collector that is not there has faults")
	}
}

// A redirect would carry the entries, and with some clients the password, to another host.
func TestCollectionFollowsNoRedirect(t *testing.T) {
	var elsewhere atomic.Int32
	other := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { elsewhere.Add(1) }))
	defer other.Close()
	srv := httptest.NewServer(http.RedirectHandler(other.URL, http.StatusPermanentRedirect))
	defer srv.Close()
	client, err := collectionClient("")
	if err != nil {
		t.Fatal(err)
	}
	defer client.CloseIdleConnections()
	resp, err := client.Get(srv.URL)
	if err != nil {
		t.Fatal(err)
	}
	_ = resp.Body.Close() // only its status counts
	if resp.StatusCode != http.StatusPermanentRedirect || elsewhere.Load() != 0 {
		t.Errorf("status %d, %d requests elsewhere", resp.StatusCode, elsewhere.Load())
	}
	if _, err := collectionClient("no-such.pem"); err == nil {
		t.Error("a missing file of certificates is no error")
	}
}

// What the daemon has published when it ends stands in the collection, with the page's address and a reminder in it.
func TestDaemonPutsThePlan(t *testing.T) {
	var mu sync.Mutex
	var bodies []string
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		mu.Lock()
		defer mu.Unlock()
		if user, password, _ := r.BasicAuth(); user != "ada" || password != "pass word" || r.Method != http.MethodPut {
			w.WriteHeader(http.StatusUnauthorized)
			return
		}
		body, _ := io.ReadAll(r.Body)
		bodies = append(bodies, string(body))
		w.Header().Set("ETag", `"1"`)
		w.WriteHeader(http.StatusCreated)
	}))
	defer srv.Close()
	dir := t.TempDir()
	start := time.Now().UTC().Add(24 * time.Hour).Truncate(time.Hour)
	for name, text := range map[string]string{
		"password": "pass word\n",
		"house.ics": "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//Quillmere//Test//EN\r\nBEGIN:VEVENT\r\nUID:a@quillmere.example\r\nDTSTAMP:20260101T000000Z\r\nDTSTART:" +
			start.Format("20060102T150405Z") + "\r\nDURATION:PT1H\r\nSUMMARY:Free power\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n",
		config.Name: `timezone = "Europe/London"
state = "state"
[supply]
limit = "60 A"
[feeds.house]
url = "house.ics"
[links.shed]
url = "exec:"
[devices.freezer]
link = "shed"
kind = "load"
power = "1 kW"
[devices.freezer.points.run]
write = ["box", "{value}"]
values = ["on", "off"]
normal = "off"
[procedures.surplus]
match = { title = "free power" }
during = ["freezer.run = on"]
[publish]
remind = "30m"
caldav = "` + srv.URL + `/ada/plan/"
caldav_user = "ada"
caldav_password_file = "password"
`,
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	cfg, err := config.Load(config.Options{File: filepath.Join(dir, config.Name), Env: []string{}})
	if err != nil {
		t.Fatal(err)
	}
	planned := make(chan struct{}, 1)
	d, err := newDaemon(t.Context(), cfg, daemonOptions{clock: run.System{}, log: slog.New(slog.DiscardHandler), watch: true, changed: func(s run.Snapshot) {
		if len(s.Plan.Windows) > 0 {
			select {
			case planned <- struct{}{}:
			default:
			}
		}
	}})
	if err != nil {
		t.Fatal(err)
	}
	defer d.close()
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- d.run(ctx, false) }()
	<-planned
	stop()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	mu.Lock()
	defer mu.Unlock()
	all := strings.Join(bodies, "")
	if len(bodies) == 0 || !strings.Contains(all, "SUMMARY:Free power (freezer)") || !strings.Contains(all, "TRIGGER:-PT30M") {
		t.Errorf("%d entries were put:\n%s", len(bodies), all)
	}
}
