package main

import (
	"context"
	"errors"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"spillway/actions/publish"
	"spillway/actions/run"
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
