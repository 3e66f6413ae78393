package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/house"
	"spillway/actions/journal"
)

// A second program on one state does not act, and says who does. An ordinary end leaves holds in place and says so; with --restore-on-exit everything goes back first.
func TestEnds(t *testing.T) {
	if testing.Short() {
		t.Skip("takes half a minute")
	}
	t.Parallel()
	bin := build(t)
	c := newCrash(t, bin, crashSite{name: "ends", windows: 1, long: time.Minute})
	c.start()
	c.wait("something to be held in the window", c.at, func() bool { return time.Now().After(c.start1) && len(c.house.Astray()) > 3 })
	out, err := exec.Command(bin, "run", "--config", c.file).CombinedOutput()
	if want := fmt.Sprintf("process %d has it open", c.cmd.Process.Pid); err == nil || !strings.Contains(string(out), want) {
		t.Errorf("a second program on the state ends with %v and says %s", err, out)
	}
	c.end()
	if len(c.house.Astray()) < 4 || !strings.Contains(c.said(), "stopped with points still held; the next start or `spillway restore` gives them back") {
		t.Errorf("after SIGTERM %d settings are held", len(c.house.Astray()))
	}
	c.start("--restore-on-exit")
	c.wait("the program to be up", c.at, func() bool { return strings.Count(c.said(), "plan feed: ") == 2 })
	c.end()
	if left := c.house.Astray(); len(left) > 0 || !strings.Contains(c.said(), "giving every held point back before stopping") {
		t.Errorf("after --restore-on-exit these are held: %v", left)
	}
}

// end asks the program to end, and waits until it has.
func (c *crash) end() {
	c.t.Helper()
	if err := c.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		c.t.Fatal(err)
	}
	if err := c.cmd.Wait(); err != nil {
		c.t.Errorf("the program ends with %v", err)
	}
	c.cmd = nil
}

func (c *crash) said() string {
	out, _ := os.ReadFile(c.log.Name())
	return string(out)
}

// A stepClock is a stage's clock that somebody sets.
type stepClock struct {
	*stageClock
	began time.Time
	by    atomic.Int64
}

func (s *stage) stepClock() *stepClock { return &stepClock{stageClock: s.clock, began: s.start} }

func (c *stepClock) Now() time.Time { return c.stageClock.Now().Add(time.Duration(c.by.Load())) }

// Up is what really passes.
func (c *stepClock) Up() time.Duration { return c.stageClock.Now().Sub(c.began) }

// While the clock shows a time before the journal's newest entry nothing is sent and someone is told; when it is right
// again, what is due is done, once.
func TestClockSteps(t *testing.T) {
	s := newStage(t, "", window("steps", 8*time.Minute, 20*time.Minute))
	clock := s.stepClock()
	s.with = clock
	s.begin()
	s.until(10 * time.Minute)
	s.wait("something to be held", s.held)
	s.wait("all steps of the start to be over", s.atRest)
	behind := func() bool {
		for _, x := range s.snapshot().Troubles {
			if x.Key == "clock" {
				return true
			}
		}
		return false
	}
	clock.by.Store(int64(-2 * time.Hour))
	s.wait("the clock to be seen", behind)
	from := s.clock.Now().Sub(s.start)
	s.until(31 * time.Minute)
	if n := s.commandsIn(from, 31*time.Minute); n > 0 || !s.held() {
		t.Errorf("%d commands are sent while the clock is behind", n)
	}
	clock.by.Store(0)
	s.wait("all to be given back", func() bool { return !s.held() && len(s.snapshot().Owed()) == 0 && !behind() })
	seen := map[string]int{}
	for _, e := range s.house.Ledger().Of("", house.Command) {
		if e.Outcome == house.Accepted {
			seen[e.Point.String()+" = "+e.Asked]++
		}
	}
	for what, n := range seen {
		if n > 1 {
			t.Errorf("%s is sent %d times", what, n)
		}
	}
}

// A board without a clock of its own starts in the past, in the middle of what its old clock calls a window: nothing is sent
// before the clock is right.
func TestStartInThePast(t *testing.T) {
	s := newStage(t, "", window("past", -5*time.Minute, 20*time.Minute), window("later", 30*24*time.Hour, 20*time.Minute))
	j, err := journal.Open(filepath.Join(filepath.Dir(s.file), "state"), journal.Options{Now: s.clock.Now})
	if err != nil {
		t.Fatal(err)
	}
	held := actions.Ref{Device: house.Van, Point: "current"}
	if err := j.Write(t.Context(), actions.Entry{Kind: actions.EntryHandOver, At: s.start.Add(30 * 24 * time.Hour), Point: held}); err != nil {
		t.Fatal(err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	h := newHook(t)
	s.write(s.text() + "[tell.hook]\nurl = \"" + h.URL + "\"\nafter = \"1m\"\nfaults = [\"clock\"]\n")
	clock := s.stepClock()
	s.with = clock
	s.begin()
	s.wait("someone to be told", func() bool { return h.count("fault clock clock") == 1 })
	s.until(14 * time.Minute)
	if n := s.commandsIn(0, 15*time.Minute); n > 0 {
		t.Errorf("%d commands are sent", n)
	}
	clock.by.Store(int64(30*24*time.Hour - 10*time.Minute)) // the time comes over the network
	s.wait("the all-clear", func() bool { return h.count("clear clock clock") == 1 })
	s.wait("the window that is on then to hold something", s.held)
}
