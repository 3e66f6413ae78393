package main

import (
	"bytes"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"spillway/calendar/feed"
	"spillway/config"
)

// A shutStore keeps nothing while it is shut.
type shutStore struct{ shut bool }

func (s *shutStore) Load(string) (feed.Saved, bool, error) { return feed.Saved{}, false, nil }

func (s *shutStore) Save(string, feed.Saved) error {
	if s.shut {
		return errors.New("write feeds/house.ics: permission denied")
	}
	return nil
}

// What goes wrong with what is published is one line, and said once for as long as it is the same.
func TestDaemonWarnsOnce(t *testing.T) {
	var out bytes.Buffer
	d := &daemon{log: slog.New(slog.NewTextHandler(&out, nil))}
	full := errors.New("the disk is full")
	for _, err := range []error{errors.Join(full, full), full, nil, nil, full, errors.Join(errors.New("it is read-only"), full)} {
		d.warn("the plan feed's revisions could not be kept", err)
	}
	var got []string
	for line := range strings.Lines(out.String()) {
		_, msg, _ := strings.Cut(line, "kept: ")
		got = append(got, strings.TrimSuffix(msg, "\"\n"))
	}
	if want := []string{"the disk is full", "the disk is full", "it is read-only; the disk is full"}; !slices.Equal(got, want) {
		t.Errorf("it says %q, want %q", got, want)
	}
}

// A last good copy that cannot be kept is said, changes nothing of what is in force, and is kept once it can be.
func TestSourceSaysWhatCannotBeKept(t *testing.T) {
	path := filepath.Join(t.TempDir(), "house.ics")
	now := time.Date(2026, 7, 4, 10, 0, 0, 0, time.UTC)
	body := "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//Quillmere//Test//EN\r\nBEGIN:VEVENT\r\nUID:a@quillmere.example\r\n" +
		"DTSTAMP:20260701T000000Z\r\nDTSTART:20260704T120000Z\r\nDTEND:20260704T130000Z\r\nSUMMARY:Free power\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"
	if err := os.WriteFile(path, []byte(body), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg := &config.Config{Horizon: 24 * time.Hour}
	cfg.Premises.Zone = time.UTC
	store := &shutStore{shut: true}
	s, err := newSource(config.Feed{Name: "house", URL: path, Poll: time.Minute, MaxBody: 1 << 20}, cfg, store, func() time.Time { return now })
	if err != nil {
		t.Fatal(err)
	}
	const want = "a restart would not have its newest copy: write feeds/house.ics: permission denied"
	for range 2 {
		if p, _ := s.Poll(t.Context()); !p.Good || p.Events != 1 || p.Trouble != want {
			t.Errorf("%+v, want one event and %q", p, want)
		}
	}
	store.shut = false
	if p, _ := s.Poll(t.Context()); !p.Good || p.Events != 1 || p.Trouble != "" {
		t.Errorf("once it can be kept: %+v", p)
	}
}
