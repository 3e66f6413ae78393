package config

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func TestTell(t *testing.T) {
	dir := t.TempDir()
	const text = `
timezone = "UTC"
[links.barn]
url = "mqtt://127.0.0.1"
[tell.ada]
url = "smtp://mail.example"
from = "Nether Wick <spillway@house.example>"
to = ["ada@house.example", "bee@house.example"]
user = "spillway"
password_file = "password"
faults = ["restore", "journal"]
after = "0s"
[tell.board]
link = "barn"
topic = "spillway/faults"
windows = true
[tell.hook]
url = "http://hook.example/a?b=c"
`
	for name, body := range map[string]string{Name: text, "password": "hunter2\n"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(body), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	c, err := Load(Options{File: filepath.Join(dir, Name), Env: []string{"SPILLWAY_TELL__HOOK__TOKEN=t0ken"}})
	if err != nil {
		t.Fatal(err)
	}
	want := []Tell{
		{Name: "ada", By: "mail", URL: "smtp://mail.example", From: `"Nether Wick" <spillway@house.example>`,
			To: []string{"<ada@house.example>", "<bee@house.example>"}, User: "spillway", Password: "hunter2", Faults: []string{"restore", "journal"}},
		{Name: "board", By: "mqtt", Link: "barn", Topic: "spillway/faults", After: 2 * time.Minute, Windows: true},
		{Name: "hook", By: "webhook", URL: "http://hook.example/a?b=c", Token: "t0ken", After: 2 * time.Minute},
	}
	if d := cmp.Diff(want, c.Tell); d != "" {
		t.Error(d)
	}
	noted := false
	for _, n := range c.Notices {
		noted = noted || n.Key == "tell.hook.url"
	}
	if !noted {
		t.Error("nothing is said of a token that goes without TLS")
	}
}

func TestHygieneThatNobodyIsToldOf(t *testing.T) {
	const tank = `timezone = "UTC"
links.barn.url = "mqtt://127.0.0.1"
[devices.cylinder]
link = "barn"
kind = "tank"
level = "t"
hygiene = { reach = "60 °C", every = "7d" }
points.t = { read = "t", unit = "°C" }
`
	for text, want := range map[string]bool{tank: true, tank + "[tell.hook]\nurl = \"https://hook.example/\"\n": false} {
		file := filepath.Join(t.TempDir(), Name)
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		c, err := Load(Options{File: file, Env: []string{}})
		if err != nil {
			t.Fatal(err)
		}
		if d := c.Premises.Devices[0]; d.Hygiene.ReachC != 60 || d.Hygiene.Every != 7*24*time.Hour {
			t.Errorf("hygiene %+v", d.Hygiene)
		}
		said := false
		for _, n := range c.Notices {
			said = said || n.Key == "devices.cylinder.hygiene"
		}
		if said != want {
			t.Errorf("said %v, want %v: %+v", said, want, c.Notices)
		}
	}
}
