package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/house"
	"spillway/actions/run"
	"spillway/config"
)

// The premises' clock runs this much faster than the program's: a gateway that wants 15 s between two commands wants one
// second of the program, so that a whole window fits into a test.
const crashSpeed = 15

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
	start1, at time.Time                       // the first window's start, and the last one's end
	spans      []house.Span                    // the windows, from their lead-in on
	hands      map[actions.Ref][]actions.Value // what people set
	cmd        *exec.Cmd
	log        *os.File
}

// A crashSite says which premises the program is killed on.
type crashSite struct {
	name    string
	windows int           // of eight seconds, five seconds apart
	long    time.Duration // how long a window is, in place of eight seconds
	broker  string        // see [house.Options]
	spacing string        // in place of the 15 s that the gateways want; "": as much by the program's clock
	state   string        // where the journal is; "": beside the configuration
}

// newCrash furnishes the premises.
func newCrash(t *testing.T, bin string, o crashSite) *crash {
	t.Helper()
	dir := t.TempDir()
	now := time.Now()
	from := now.Add(9 * time.Second).Truncate(time.Second)
	c := &crash{t: t, hands: map[actions.Ref][]actions.Value{}, bin: bin, file: filepath.Join(dir, config.Name), start0: now, start1: from.UTC()}
	var events []house.Event
	for i := range o.windows {
		start := from.Add(time.Duration(i) * 13 * time.Second).UTC()
		c.at = start.Add(cmp.Or(o.long, 8*time.Second))
		c.spans = append(c.spans, house.Span{From: start.Add(-4200 * time.Millisecond), To: c.at})
		events = append(events, house.Event{UID: fmt.Sprint(o.name, i), Title: "Free power, Nether Sallow", Start: start, End: c.at})
	}
	h, err := house.Start(house.Options{
		Clock: run.Fast{Start: now.UTC(), Began: now, Speed: crashSpeed}, Seed: 1, History: -1, Events: events, Broker: o.broker,
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = h.Close() })
	c.house = h
	state := cmp.Or(o.state, filepath.Join(dir, "state"))
	text := h.ConfigWith(house.ConfigOptions{State: state, Listen: "127.0.0.1:0"})
	for old, want := range map[string]string{
		`spacing = "15s"`: `spacing = "` + cmp.Or(o.spacing, "1s") + `"`, "confirm = \"15s\"\n": "", `timeout = "20s"`: "timeout = \"20s\"\nconfirm = \"1s\"", `poll = "2m"`: "poll = \"1s\"\nmax_per_day = 1000", // all windows are of today
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

func (c *crash) start(more ...string) {
	c.t.Helper()
	c.cmd = exec.Command(c.bin, append([]string{"run", "--config", c.file}, more...)...)
	c.cmd.Stdout, c.cmd.Stderr = io.MultiWriter(c.log), io.MultiWriter(c.log) // by a pipe: a full disk is no matter of ours
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

// mostAlive is how long the program lives at most between two kills at random instants.
const mostAlive = 1600 * time.Millisecond

// windowsFor returns how many windows it takes until the program was killed so often.
func windowsFor(kills int) int { return 1 + int(time.Duration(kills)*mostAlive/2/(13*time.Second)) }

// killOften starts the program and kills it at a random instant, again and again, and leaves it running.
func (c *crash) killOften(kills int, r *rand.Rand) {
	c.t.Helper()
	for range kills {
		c.start()
		time.Sleep(20*time.Millisecond + time.Duration(r.Int64N(int64(mostAlive-20*time.Millisecond))))
		c.kill()
	}
	c.start()
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
	c.wait("a command in the "+phase, c.at.Add(3*time.Minute), seen)
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
	c.wait("the window's end", c.at.Add(3*time.Minute), func() bool { return time.Now().After(c.at) })
	c.wait("every setting back at its normal", c.at.Add(3*time.Minute), func() bool { return len(c.astray()) == 0 })
	out, err := exec.Command(c.bin, "restore", "--config", c.file).CombinedOutput()
	if err != nil {
		c.t.Errorf("restore afterwards: %v\n%s", err, out)
	}
	c.atTheDevices()
	_, _ = io.WriteString(c.log, "--- settled\n")
}

// astray returns the settings that are neither at their normal nor where any hand left them: a hand between two lives of the
// program may be taken for a box that started anew, and its setting for the normal of the next window.
func (c *crash) astray() map[actions.Ref]actions.Value {
	all := c.house.Astray()
	for ref, v := range all {
		if slices.Contains(c.hands[ref], v) {
			delete(all, ref)
		}
	}
	return all
}

// atTheDevices checks what the devices saw: commands, their spacing, and none outside a window but those that give back.
func (c *crash) atTheDevices() {
	c.t.Helper()
	for _, l := range []string{house.LinkBarn, house.LinkHouse} {
		if gap, ok := c.house.Ledger().Closest(l); ok && gap < 15*time.Second {
			c.t.Errorf("two commands on %s came %s apart by the premises' clock, and its spacing is 15 s", l, gap)
		}
	}
	if len(c.house.Ledger().Of("", house.Command)) == 0 {
		c.t.Error("the devices saw no command at all")
	}
	normals := c.house.Normals()
	for _, e := range c.house.Ledger().Of("", house.Command) {
		at := c.real(e.At)
		inside := slices.ContainsFunc(c.spans, func(s house.Span) bool { return !at.Before(s.From) && at.Before(s.To.Add(onTheWay)) })
		if !inside && e.Asked != normals[e.Point].String() && !slices.ContainsFunc(c.hands[e.Point], func(v actions.Value) bool { return v.String() == e.Asked }) {
			c.t.Errorf("outside of every window: %s", e)
		}
	}
	for _, e := range c.house.Excess() {
		c.t.Errorf("more than the service fuse: %+v", e)
	}
}

// summary logs what the kills met, and fails where most windows brought no command: kills show nothing then.
func (c *crash) summary(kills int) {
	c.t.Helper()
	lost := 0
	for _, l := range []string{house.LinkBarn, house.LinkHouse} {
		lost += c.house.Gateway(l).Missed
	}
	commands := c.house.Ledger().Of("", house.Command)
	idle := 0
	for _, s := range c.spans {
		if !slices.ContainsFunc(commands, func(e house.Entry) bool { return !c.real(e.At).Before(s.From) && c.real(e.At).Before(s.To) }) {
			idle++
		}
	}
	c.t.Logf("%d kills over %s: %d windows, %d of them without a command, %d commands at the devices, %d lost for their spacing", kills,
		time.Since(c.start0).Round(time.Second), len(c.spans), idle, len(commands), lost)
	if idle*2 > len(c.spans) {
		c.t.Errorf("%d of %d windows brought no command", idle, len(c.spans))
	}
}

// onTheWay is how long a command may be on its way to a device where the machine has much else to do.
const onTheWay = time.Second
