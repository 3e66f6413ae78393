package main

import (
	"bytes"
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"spillway/actions/house"
	"spillway/actions/run"
	"spillway/config"
)

// A stage is the simulated premises with the program running on them in this process, on one fast clock.
type stage struct {
	t     *testing.T
	house *house.House
	clock *stageClock
	with  run.Clock // that the program goes by; nil: the same
	start time.Time // by that clock
	file  string
	svc   *service
	again chan os.Signal
	log   *logbook
	sent  *logbook // to the service manager
	stop  func() error
}

// A logbook is a writer that can be read meanwhile.
type logbook struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logbook) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logbook) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// window is an event of a surplus hour from in on, counted from the stage's start.
func window(uid string, in, long time.Duration) func(time.Time) house.Event {
	return func(start time.Time) house.Event {
		return house.Event{UID: uid, Title: "Free power, Nether Sallow", Start: start.Add(in), End: start.Add(in + long)}
	}
}

// newStage furnishes the premises with the windows, and writes a configuration with more at its end.
func newStage(t *testing.T, more string, windows ...func(time.Time) house.Event) *stage {
	t.Helper()
	if testing.Short() {
		t.Skip("takes seconds")
	}
	t.Parallel() // stages mostly wait
	s := &stage{t: t, start: time.Date(2026, 7, 4, 9, 0, 0, 0, time.UTC), log: &logbook{}, sent: &logbook{}, again: make(chan os.Signal, 1)}
	s.clock = newStageClock(t, s.start)
	events := []house.Event{}
	for _, w := range windows {
		events = append(events, w(s.start))
	}
	h, err := house.Start(house.Options{Clock: s.clock, Seed: 3, History: -1, Events: events})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = h.Close() })
	s.house = h
	dir, err := os.MkdirTemp("", "stage") // a socket's path is 107 bytes at most (unix(7)), so no t.TempDir
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.RemoveAll(dir) })
	s.file = filepath.Join(dir, config.Name)
	s.write(s.text() + more)
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("the program said:\n%s", s.log)
		}
	})
	return s
}

func (s *stage) text() string {
	text := s.house.ConfigWith(house.ConfigOptions{State: filepath.Join(filepath.Dir(s.file), "state"), Listen: "127.0.0.1:0"})
	return strings.ReplaceAll(text, " from -2h", " from -2m")
}

func (s *stage) write(text string) {
	s.t.Helper()
	if err := os.WriteFile(s.file, []byte(text), 0o600); err != nil {
		s.t.Fatal(err)
	}
}

// begin runs the program until the test's end, or until stop.
func (s *stage) begin() {
	s.t.Helper()
	if s.with == nil {
		s.with = s.clock
	}
	load := func() (*config.Config, error) { return config.Load(config.Options{File: s.file, Env: []string{}}) }
	s.svc = &service{
		load: load, opt: daemonOptions{clock: s.with, log: slog.New(slog.NewTextHandler(s.log, &slog.HandlerOptions{Level: slog.LevelDebug}))},
		again: s.again, notify: &notifier{send: func(state string) { _, _ = s.sent.Write([]byte("<" + state + ">\n")) }}, opened: func(*daemon) {},
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.svc.run(ctx) }()
	s.stop = sync.OnceValue(func() error { cancel(); return <-done })
	s.t.Cleanup(func() {
		if err := s.stop(); err != nil {
			s.t.Error(err)
		}
	})
	s.wait("the program to be ready", func() bool { return strings.Contains(s.sent.String(), "READY=1") })
}

// daemon is the one at work now.
func (s *stage) daemon() *daemon { return s.svc.now.Load() }

// wait looks until ok, for as long as a machine may take that has much else to do.
func (s *stage) wait(what string, ok func() bool) {
	s.t.Helper()
	deadline := time.NewTimer(3 * time.Minute)
	defer deadline.Stop()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !ok() {
		select {
		case <-deadline.C:
			s.t.Fatalf("waited in vain for %s", what)
		case <-tick.C:
		}
	}
}

// until waits for a time of the stage.
func (s *stage) until(in time.Duration) {
	s.t.Helper()
	s.wait("the time", func() bool { return s.clock.Now().Sub(s.start) >= in })
}

func (s *stage) held() bool { return len(s.house.Astray()) > 0 }

func (s *stage) snapshot() run.Snapshot {
	snap, _ := s.daemon().runner.Snapshot()
	return snap
}

// hangUp asks for the configuration to be read again, and waits until the log says what came of it.
func (s *stage) hangUp(said string) {
	s.t.Helper()
	before := strings.Count(s.log.String(), said)
	s.again <- syscall.SIGHUP
	s.wait("the log to say "+said, func() bool { return strings.Count(s.log.String(), said) > before })
}
