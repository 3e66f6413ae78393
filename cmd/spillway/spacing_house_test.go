package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/house"
	"spillway/actions/journal"
	"spillway/actions/link"
	"spillway/actions/run"
	"spillway/config"
)

// A gateway of the simulated premises loses what follows another command within 15 s of its clock, which runs so fast
// that this is 450 ms of ours. The whole command finds that out over MQTT, from its first line to its verdict.
func TestFindSpacingOfAGateway(t *testing.T) {
	if testing.Short() {
		t.Skip("takes seconds")
	}
	t.Parallel() // it mostly waits
	const need = 450 * time.Millisecond
	for name, c := range map[string]struct {
		spacing string // configured, and so the longest gap looked at
		more    string // an argument
		exit    int
		out     string // after what the point reads at first
		errs    string
	}{
		"found": {spacing: "500ms", out: `ok     barn: looking for gaps up to 500ms; this takes 3 min at most
ok     barn: 500ms apart did, 3 times of 3
ok     barn: 0s apart lost a command
ok     barn: 250ms apart lost a command
ok     barn_battery.charge_power: is back at 2.5 kW
ok     barn: commands 500ms apart arrived, 250ms apart one was lost: write spacing = "500ms" or somewhat more
`},
		"in JSON": {spacing: "500ms", more: "--json", out: `{
  "link": "barn",
  "least_s": 0.5,
  "lost_s": 0.25
}
`},
		"too short": {spacing: "200ms", exit: exitFailed, out: `ok     barn: looking for gaps up to 200ms; this takes 3 min at most
ok     barn: 200ms apart lost a command
ok     barn_battery.charge_power: is back at 2.5 kW
`, errs: "spillway: links.barn: 200ms apart, a command was lost: write a longer spacing, or look whether the box hears at all (--try without --find-spacing)\n"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h, file := fastHouse(t, need, c.spacing)
			var out, errs bytes.Buffer
			args := []string{"check", "--config", file, "--try", "barn_battery.charge_power=500", "--find-spacing", house.LinkBarn, "--yes"}
			if c.more != "" {
				args = append(args, c.more)
			}
			exit := execute(t.Context(), args, streams{In: strings.NewReader(""), Out: &out, Err: &errs})
			first := regexp.MustCompile(`\Aok     barn_battery.charge_power: reads 2.5 kW, in \d+m?s\n`)
			got := first.ReplaceAllString(out.String(), "")
			if exit != c.exit || got != c.out || c.more == "" && (got == out.String() || errs.String() != c.errs) {
				t.Errorf("exit %d, printed\n%s%s\nand not\n%s%s", exit, &out, &errs, c.out, c.errs)
			}
			if all := h.Astray(); len(all) > 0 {
				t.Errorf("left behind: %v", all)
			}
			if lost := h.Gateway(house.LinkBarn).Missed; lost == 0 {
				t.Error("the gateway lost nothing")
			}
		})
	}
}

// fastHouse furnishes the premises, whose gateways need so much time between two commands, and writes their configuration.
func fastHouse(t *testing.T, need time.Duration, spacing string) (h *house.House, file string) {
	t.Helper()
	now := time.Now()
	clock := run.Fast{Start: now.UTC(), Began: now, Speed: float64(15*time.Second) / float64(need)}
	h, err := house.Start(house.Options{Clock: clock, Seed: 1, History: -1, Events: []house.Event{}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = h.Close() })
	dir := t.TempDir()
	file = filepath.Join(dir, config.Name)
	text := h.ConfigWith(house.ConfigOptions{State: filepath.Join(dir, "state"), Listen: "127.0.0.1:0"})
	text = strings.ReplaceAll(text, `spacing = "15s"`, `spacing = "`+spacing+`"`)
	text = strings.ReplaceAll(text, `confirm = "15s"`, `confirm = "3s"`)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return h, file
}

// Where no spacing is configured the box may need one all the same: the command that puts the point back, too, leaves it
// alone for so long.
func TestFindSpacingPutsBackUnhurried(t *testing.T) {
	if testing.Short() {
		t.Skip("takes seconds")
	}
	t.Parallel() // it mostly waits
	j, err := journal.Open(t.TempDir(), journal.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	off := actions.Named("off")
	b := &deafBox{need: 200 * time.Millisecond, value: off, first: off} // 250 ms is looked at last, and does
	cfg := &config.Config{Horizon: time.Hour, Premises: actions.Premises{
		Zone: time.UTC, Supply: actions.Supply{LimitW: 10000, VoltageV: 230, Phases: 1},
		Links: []actions.Link{{Name: "shed", Timeout: time.Minute, Confirm: time.Second, Tries: 3}},
		Devices: []actions.Device{{Name: "freezer", Kind: actions.Load, Link: "shed", Enabled: true, Points: []actions.Point{{
			Ref: actions.Ref{Device: "freezer", Point: "run"}, Values: []actions.NamedValue{{Name: "on", Wire: "on"}, {Name: "off", Wire: "off"}},
			Write: &actions.Address{Path: "run"}, Read: &actions.Address{Path: "run"},
		}}}},
	}}
	d := &cfg.Premises.Devices[0]
	tr := &trial{cfg: cfg, device: d, point: &d.Points[0], link: &cfg.Premises.Links[0], value: actions.Named("on"), before: off,
		journal: j, links: map[string]link.Link{"shed": b}}
	var out bytes.Buffer
	a := &app{streams: streams{Out: &out, Err: &out}}
	if err := a.findSpacingUpTo(t.Context(), tr, 500*time.Millisecond); err != nil {
		t.Error(err)
	}
	if b.value != off || b.lostBack > 0 || !strings.Contains(out.String(), "250ms apart arrived") {
		t.Errorf("the box shows %s, and %d commands that put it back were lost", b.value, b.lostBack)
	}
	t.Logf("%s", &out)
}
