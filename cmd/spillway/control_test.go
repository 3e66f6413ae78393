package main

import (
	"log/slog"
	"strings"
	"testing"

	"spillway/actions/run"
)

// A daemon that only watches cannot give anything back, and says so at once.
func TestRestoreBesideAWatchingDaemon(t *testing.T) {
	d := startDaemonAs(t, "", daemonOptions{clock: run.System{}, log: slog.New(slog.DiscardHandler), watch: true})
	_, running, err := askDaemon(t.Context(), d.cfg.State, "")
	if !running || err == nil || !strings.Contains(err.Error(), "it only watches and sends nothing: stop it") {
		t.Errorf("running %t, %v", running, err)
	}
}
