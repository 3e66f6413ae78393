package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"spillway/actions/link"
	"spillway/config"
)

// One program of an exec link that cannot be started says nothing of the others.
func TestReadPointsOfPrograms(t *testing.T) {
	echo, err := exec.LookPath("echo")
	if err != nil {
		t.Skip("no echo on this machine")
	}
	file := filepath.Join(t.TempDir(), config.Name)
	text := `
[links.shed]
url = "exec:"
[devices.fan]
link = "shed"
kind = "load"
[devices.fan.points.gone]
read = ["./nowhere"]
[devices.fan.points.speed]
read = ["` + echo + `", "3"]
`
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg, err := config.Load(config.Options{File: file, Env: []string{}})
	if err != nil {
		t.Fatal(err)
	}
	links, err := openLinks(&cfg.Premises)
	if err != nil {
		t.Fatal(err)
	}
	defer closeLinks(links)
	got := readPoints(t.Context(), &cfg.Premises, links)
	if len(got) != 2 || link.ClassOf(got[0].err) != link.Unreachable {
		t.Fatalf("got %+v", got)
	}
	if got[1].err != nil || got[1].value.String() != "3" {
		t.Errorf("the other program gave %v, %v", got[1].value, got[1].err)
	}
}
