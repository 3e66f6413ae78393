package main

import (
	"bytes"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"spillway/actions/run"
	"spillway/config"
)

const staggered = `state = %q
[feeds.house]
url = %q
[links.yard]
url = "exec:"
[devices.fan]
link  = "yard"
kind  = "load"
power = "1 kW"
[devices.fan.points.run]
write  = ["true", "{value}"]
values = ["on", "off"]
normal = "off"
[procedures.surplus]
match   = { title = "free power" }
stagger = "1h"
during  = ["fan.run = on"]
`

// Two premises with the same configuration start a staggered window at different times, and each at its own time every
// time: many that start in one second would disturb the grid.
func TestPremisesWithOneConfigurationStartApart(t *testing.T) {
	events := filepath.Join(t.TempDir(), "house.ics")
	start := time.Now().UTC().Add(24 * time.Hour).Truncate(time.Hour)
	body := fmt.Sprintf("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//test//EN\r\nBEGIN:VEVENT\r\nUID:a\r\nDTSTAMP:20260101T000000Z\r\nSUMMARY:Free power\r\n"+
		"DTSTART:%s\r\nDTEND:%s\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n", start.Format("20060102T150405Z"), start.Add(2*time.Hour).Format("20060102T150405Z"))
	if err := os.WriteFile(events, []byte(body), 0o600); err != nil {
		t.Fatal(err)
	}
	premises := func() string {
		dir := t.TempDir()
		file := filepath.Join(dir, "spillway.toml")
		if err := os.WriteFile(file, fmt.Appendf(nil, staggered, filepath.Join(dir, "state"), events), 0o600); err != nil {
			t.Fatal(err)
		}
		return file
	}
	one, other := premises(), premises()
	starts := func(file string, more ...string) string {
		t.Helper()
		var out, errs bytes.Buffer
		if code := execute(t.Context(), append([]string{"plan", "--json", "--config", file}, more...), streams{In: strings.NewReader(""), Out: &out, Err: &errs}); code != exitFine {
			t.Fatalf("exit %d: %s", code, errs.String())
		}
		_, at, _ := strings.Cut(out.String(), `"phase": "during",`)
		at, _, _ = strings.Cut(at, "\n      \"link\"")
		if !strings.Contains(at, `"at"`) {
			t.Fatalf("no step: %s", out.String())
		}
		return strings.TrimSpace(at)
	}
	if starts(one) != starts(other) {
		t.Error("where nothing ever ran, what the premises consist of sets them apart, and these are alike")
	}
	if _, err := os.Stat(filepath.Join(filepath.Dir(one), "state")); err == nil {
		t.Error("plan made the state folder")
	}
	ran := func(file string) {
		cfg, err := config.Load(config.Options{File: file})
		if err != nil {
			t.Fatal(err)
		}
		d, err := newDaemon(t.Context(), cfg, daemonOptions{clock: run.System{}, log: slog.New(slog.DiscardHandler)})
		if err != nil {
			t.Fatal(err)
		}
		d.close()
	}
	ran(one)
	ran(other)
	first := starts(one)
	if first == starts(other) {
		t.Error("both start at once")
	}
	ran(one)
	if again := starts(one); again != first {
		t.Errorf("after another start %s, before %s", again, first)
	}
}
