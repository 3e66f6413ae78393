package main

import (
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"spillway/actions/house"
	"spillway/actions/run"
	"spillway/config"
)

// The premises' clock runs this much faster than the program's: a gateway that wants 15 s between two commands wants one
// second of the program, so that a whole window fits into a test.
const crashSpeed = 15

// TestKilledInEveryPhase runs the real program against the simulated premises, kills it with SIGKILL in the lead-in,
// during the window and in the restore, starts it again, and looks at the devices afterwards.
func TestKilledInEveryPhase(t *testing.T) {
	if testing.Short() {
		t.Skip("takes half a minute")
	}
	bin := build(t)
	for _, phase := range []string{"lead-in", "during", "restore"} {
		t.Run(phase, func(t *testing.T) {
			t.Parallel()
			c := newCrash(t, bin, phase, 1)
			c.start()
			c.killIn(phase)
			c.start()
			c.settled()
		})
	}
}

// TestKilledAtRandom kills the program again and again at random instants, over as many windows as that takes. It runs
// where SPILLWAY_KILLS says how often; SPILLWAY_SEED picks other instants.
func TestKilledAtRandom(t *testing.T) {
	kills, err := strconv.Atoi(os.Getenv("SPILLWAY_KILLS"))
	if err != nil {
		t.Skip("SPILLWAY_KILLS is not set")
	}
	seed, _ := strconv.ParseUint(os.Getenv("SPILLWAY_SEED"), 10, 64)
	t.Logf("SPILLWAY_SEED=%d", seed)
	r := rand.New(rand.NewPCG(seed, 5))
	const most = 1600 * time.Millisecond
	c := newCrash(t, build(t), "random", 1+int(time.Duration(kills)*most/2/(13*time.Second)))
	for range kills {
		c.start()
		time.Sleep(20*time.Millisecond + time.Duration(r.Int64N(int64(most-20*time.Millisecond))))
		c.kill()
	}
	c.start()
	c.settled()
	t.Logf("%d kills over %s: %d commands at the devices", kills, time.Since(c.start0).Round(time.Second), len(c.house.Ledger().Of("", house.Command)))
}

func build(t *testing.T) string {
	t.Helper()
	bin := filepath.Join(t.TempDir(), "spillway")
	out, err := exec.Command("go", "build", "-o", bin, ".").CombinedOutput()
	if err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	return bin
}

// A crash is one premises, one configuration, and the program run on it again and again.
type crash struct {
	t          *testing.T
	bin, file  string
	house      *house.House
	start0     time.Time
	start1, at time.Time // the window
	cmd        *exec.Cmd
	log        *os.File
}

// newCrash furnishes premises with so many windows of eight seconds, five seconds apart.
func newCrash(t *testing.T, bin, name string, windows int) *crash {
	t.Helper()
	dir := t.TempDir()
	now := time.Now()
	from := now.Add(9 * time.Second).Truncate(time.Second)
	c := &crash{t: t, bin: bin, file: filepath.Join(dir, config.Name), start0: now, start1: from.UTC()}
	var events []house.Event
	for i := range windows {
		start := from.Add(time.Duration(i) * 13 * time.Second).UTC()
		c.at = start.Add(8 * time.Second)
		events = append(events, house.Event{UID: fmt.Sprint(name, i), Title: "Free power, Nether Sallow", Start: start, End: c.at})
	}
	h, err := house.Start(house.Options{
		Clock: run.Fast{Start: now.UTC(), Began: now, Speed: crashSpeed}, Seed: 1, History: -1, Events: events,
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = h.Close() })
	c.house = h
	state := filepath.Join(dir, "state")
	text := h.ConfigWith(house.ConfigOptions{State: state, Listen: "127.0.0.1:0"})
	for old, want := range map[string]string{
		`spacing = "15s"`: `spacing = "1s"`, `confirm = "15s"`: `confirm = "1s"`, `confirm = "10s"`: `confirm = "1s"`, `poll = "2m"`: `poll = "1s"`,
		`margin   = "30s"`: `margin   = "1s"`, " from -2h": " from -3s",
	} {
		text = strings.ReplaceAll(text, old, want)
	}
	if err := os.WriteFile(c.file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	if c.log, err = os.Create(filepath.Join(dir, "log")); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		c.kill()
		_ = c.log.Close()
		if t.Failed() {
			out, _ := os.ReadFile(c.log.Name())
			t.Logf("the program said:\n%s", out)
			if lines, err := exec.Command(bin, "log", "--json", "--config", c.file).Output(); err == nil {
				t.Logf("the switching log:\n%s", lines)
			}
			for _, e := range h.Ledger() {
				t.Log(e)
			}
		}
	})
	return c
}

func (c *crash) start() {
	c.t.Helper()
	c.cmd = exec.Command(c.bin, "run", "--config", c.file)
	c.cmd.Stdout, c.cmd.Stderr = c.log, c.log
	if err := c.cmd.Start(); err != nil {
		c.t.Fatal(err)
	}
}

func (c *crash) kill() {
	if c.cmd != nil && c.cmd.Process != nil {
		_ = c.cmd.Process.Kill()
		_ = c.cmd.Wait()
	}
	c.cmd = nil
}

// killIn kills the program once the devices have had a command in the phase.
func (c *crash) killIn(phase string) {
	c.t.Helper()
	from := map[string]time.Time{"lead-in": c.start0, "during": c.start1, "restore": c.at}[phase]
	seen := func() bool {
		for _, e := range c.house.Ledger().Of("", house.Command) {
			if !c.real(e.At).Before(from) {
				return true
			}
		}
		return false
	}
	c.wait("a command in the "+phase, c.at.Add(30*time.Second), seen)
	c.kill()
	fmt.Fprintf(c.log, "--- killed in the %s\n", phase)
}

// real turns the premises' time into the program's.
func (c *crash) real(t time.Time) time.Time {
	return c.start0.Add(t.Sub(c.start0) / crashSpeed)
}

func (c *crash) wait(what string, until time.Time, ok func() bool) {
	c.t.Helper()
	ctx, cancel := context.WithDeadline(context.Background(), until)
	defer cancel()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for !ok() {
		select {
		case <-ctx.Done():
			c.t.Fatalf("waited in vain for %s", what)
		case <-tick.C:
		}
	}
}

// settled waits until every setting is at its normal after the window, and checks what the devices saw.
func (c *crash) settled() {
	c.t.Helper()
	c.wait("the window's end", c.at.Add(time.Minute), func() bool { return time.Now().After(c.at) })
	c.wait("every setting back at its normal", c.at.Add(time.Minute), func() bool { return len(c.house.Astray()) == 0 })
	out, err := exec.Command(c.bin, "restore", "--config", c.file).CombinedOutput()
	if err != nil {
		c.t.Errorf("restore afterwards: %v\n%s", err, out)
	}
	for _, l := range []string{house.LinkBarn, house.LinkHouse} {
		if gap, ok := c.house.Ledger().Closest(l); ok && gap < 15*time.Second {
			c.t.Errorf("two commands on %s came %s apart by the premises' clock, and its spacing is 15 s", l, gap)
		}
	}
	if len(c.house.Ledger().Of("", house.Command)) == 0 {
		c.t.Error("the devices saw no command at all")
	}
	_, _ = io.WriteString(c.log, "--- settled\n")
}
