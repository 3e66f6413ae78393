//go:build unix

package main

import (
	"bytes"
	"context"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"spillway/actions/run"
	"spillway/config"
)

// A charger dials one address, which a running daemon has: check and plan beside it read the charger through the daemon.
func TestReadBesideTheDaemon(t *testing.T) {
	dir := t.TempDir()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	_ = l.Close()
	file := filepath.Join(dir, config.Name)
	text := fmt.Sprintf("state = \"state\"\n[supply]\nlimit = \"60 A\"\n[links.yard]\nurl = \"ocpp://%s/YARD\"\ntimeout = \"2s\"\n[devices.van]\nlink = \"yard\"\nkind = \"vehicle\"\n", address)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	call := func(args ...string) (int, string) {
		var out, errs bytes.Buffer
		code := execute(t.Context(), append(args, "--config", file), streams{In: strings.NewReader(""), Out: &out, Err: &errs})
		return code, out.String() + errs.String()
	}
	cfg, err := config.Load(config.Options{File: file})
	if err != nil {
		t.Fatal(err)
	}
	d, err := newDaemon(t.Context(), cfg, daemonOptions{clock: run.System{}, log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(context.Background())
	var parts sync.WaitGroup
	defer func() {
		stop()
		parts.Wait()
		d.close()
	}()
	parts.Go(func() { _ = d.run(ctx, false) })
	if _, err := d.runner.Until(t.Context(), func(run.Snapshot) bool { return true }); err != nil {
		t.Fatal(err)
	}
	code, got := call("check")
	if code == 0 || !strings.Contains(got, "fault  van.current: ") || !strings.Contains(got, " as its central system and YARD as its name") || strings.Contains(got, "in use") {
		t.Errorf("before the charger came, check ends with %d:\n%s", code, got)
	}
	parts.Go(func() { charger(ctx, "ws://"+address+"/YARD") })
	for end := time.Now().Add(2 * time.Minute); !strings.Contains(got, "ok     van.current: reads "); {
		if time.Now().After(end) {
			t.Fatalf("check does not read the charger:\n%s", got)
		}
		_, got = call("check")
	}
	if code, got := call("plan"); code != 0 {
		t.Errorf("plan ends with %d:\n%s", code, got)
	}
}
