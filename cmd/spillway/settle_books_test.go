package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"spillway/actions"
	"spillway/actions/journal"
	"spillway/calendar/feed"
	"spillway/config"
)

// A feed that cannot be read counts by its last good copy, and that is said.
func TestBooksFromCopy(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("house.ics", "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//Quillmere//Test//EN\r\nBEGIN:VEVENT\r\nUID:a\r\nDTSTAMP:20260601T000000Z\r\n"+
		"DTSTART:20260617T110000Z\r\nDTEND:20260617T120000Z\r\nSUMMARY:Free power\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n")
	write("spillway.toml", "timezone = \"Europe/London\"\nstate = \"state\"\n[supply]\nlimit = \"60 A\"\n[feeds.house]\nurl = \"house.ics\"\n"+
		"[procedures.surplus]\nmatch = { title = \"free power\" }\ndirection = \"turn-up\"\n")
	cfg, err := config.Load(config.Options{File: filepath.Join(dir, "spillway.toml"), Env: []string{}})
	if err != nil {
		t.Fatal(err)
	}
	f, err := feed.New(feedSpec(cfg.Feeds[0], cfg.Horizon), feed.Options{Store: feed.Dir(feedFolder(cfg.State))})
	if err != nil {
		t.Fatal(err)
	}
	if r := f.Poll(t.Context()); r.Err != nil {
		t.Fatal(r.Err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(dir, "house.ics")); err != nil {
		t.Fatal(err)
	}
	var notes []string
	l := (&app{}).ledger(cfg, &journal.Reader{}, time.Now())
	l.note = func(s string) { notes = append(notes, s) }
	windows, err := l.windows(t.Context(), nil, june(1), june(30))
	if err != nil || len(windows) != 1 || !windows[0].Start.Equal(june(17).Add(11*time.Hour)) {
		t.Errorf("%v (%v)", windows, err)
	}
	if len(notes) != 1 || !strings.Contains(notes[0], "house.ics") || !strings.Contains(notes[0], "the copy of ") {
		t.Errorf("notes %q", notes)
	}
	// A calendar that is named has no copy.
	if _, err := l.windows(t.Context(), []string{filepath.Join(dir, "house.ics")}, june(1), june(30)); err == nil {
		t.Error("a calendar that is not there counts")
	}
}

func june(day int) time.Time { return time.Date(2026, 6, day, 0, 0, 0, 0, time.UTC) }

// What the journal remembers is added once, but for what was called off and what the feeds hold at another time by now. A
// window that was over before it was moved ahead is one of its own.
func TestRememberedWindows(t *testing.T) {
	j, err := journal.Open(t.TempDir(), journal.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = j.Close() }()
	window := func(id string, day int, state actions.WindowState) journal.Window {
		return journal.Window{ID: id, Procedure: "surplus", Start: june(day), End: june(day).Add(time.Hour), State: state}
	}
	if err := j.SaveWindows(t.Context(), []journal.Window{
		window("gone", 1, actions.Completed), window("off", 2, actions.Cancelled), window("held", 3, actions.Completed),
		window("moved", 4, actions.Completed), window("put_off", 5, actions.Far),
	}); err != nil {
		t.Fatal(err)
	}
	var held []actions.Window
	for _, w := range []journal.Window{window("held", 3, ""), window("moved", 20, ""), window("put_off", 21, "")} {
		held = append(held, windowOf(w))
	}
	l := &ledger{kept: j}
	got, err := l.remembered(t.Context(), held, june(1), june(30))
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, w := range got {
		names = append(names, w.ID+w.Start.Format(" 2"))
	}
	if d := cmp.Diff([]string{"held 3", "moved 20", "put_off 21", "gone 1", "moved 4"}, names); d != "" {
		t.Error(d)
	}
}
