package main

import (
	"bytes"
	"context"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"golang.org/x/tools/txtar"
)

// TestREADME keeps what README shows true: its two first commands, and the plan of its example, less the reasons.
func TestREADME(t *testing.T) {
	raw, err := os.ReadFile(filepath.Join("..", "..", "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	readme := string(raw)
	demo, tests := strings.Index(readme, "\n    go run ./cmd/spillway demo\n"), strings.Index(readme, "\n    go test ./...\n")
	if demo < 0 || tests < demo {
		t.Error("README does not give the demo and then the tests as its first commands")
	}
	_, shown, ok := strings.Cut(readme, "by `spillway plan`:\n\n```text\n")
	shown, _, ok2 := strings.Cut(shown, "```")
	if !ok || !ok2 {
		t.Fatal("README has no plan")
	}
	dir := t.TempDir()
	files, err := txtar.ParseFile(filepath.Join("testdata", "script", "plan.txt"))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files.Files {
		if err := os.WriteFile(filepath.Join(dir, f.Name), f.Data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var out bytes.Buffer
	code := execute(context.Background(), []string{"plan", "--config", filepath.Join(dir, "spillway.toml"), "--calendar", filepath.Join(dir, "house.ics"),
		"--at", "2026-12-05T09:00:00Z", "--reading", "barn_battery.charge_level=40", "--reading", "barn_battery.charge_power=3000",
		"--reading", "barn_battery.mode=own_use"}, streams{In: strings.NewReader(""), Out: &out, Err: io.Discard})
	if code != exitFine {
		t.Fatalf("plan exited %d", code)
	}
	words := func(s string) string { return strings.Join(strings.Fields(s), " ") }
	for _, line := range strings.Split(strings.TrimSpace(shown), "\n") {
		if !strings.Contains(words(out.String()), words(line)) {
			t.Errorf("README shows %q, and the plan is\n%s", line, out.String())
		}
	}
}
