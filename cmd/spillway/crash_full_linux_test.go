package main

import (
	"strings"
	"testing"
	"time"

	sys "golang.org/x/sys/unix"

	"spillway/actions/house"
)

// TestDiskFillsUp lets no file of the running program grow any more in the middle of a window, as a full disk does
// (setrlimit(2), RLIMIT_FSIZE), and makes room again after its end. Nothing is sent that cannot be written down before, and
// everything goes back once it can.
func TestDiskFillsUp(t *testing.T) {
	if testing.Short() {
		t.Skip("takes half a minute")
	}
	t.Parallel()
	c := newCrash(t, build(t), crashSite{name: "full", windows: 1, long: 25 * time.Second})
	c.start()
	c.wait("something to be held in the window", c.at, func() bool { return time.Now().After(c.start1) && len(c.house.Astray()) > 2 })
	full := time.Now()
	c.limitFiles(0)
	c.wait("the window's end", c.at.Add(time.Minute), func() bool { return time.Now().After(c.at.Add(time.Second)) })
	c.wait("someone to be told that the journal cannot be written", c.at.Add(3*time.Minute), func() bool {
		return strings.Contains(c.said(), "nothing is sent, since the journal cannot be written")
	})
	for _, e := range c.house.Ledger().Of("", house.Command) {
		// What was journaled as it happened may be on its way. What gives back is due after the window's end.
		if at := c.real(e.At); at.After(full.Add(5*time.Second)) || at.After(c.at) {
			t.Errorf("sent, and could not be written down before: %s", e)
		}
	}
	if err := c.cmd.Process.Signal(sys.Signal(0)); err != nil {
		t.Errorf("a full disk ended the program: %v", err)
	}
	if len(c.house.Astray()) == 0 {
		t.Error("nothing is held, so this shows nothing")
	}
	c.limitFiles(sys.RLIM_INFINITY)
	c.settled()
}

// limitFiles bounds the length of every file that the running program writes.
func (c *crash) limitFiles(bytes uint64) {
	c.t.Helper()
	limit := sys.Rlimit{Cur: bytes, Max: sys.RLIM_INFINITY}
	if err := sys.Prlimit(c.cmd.Process.Pid, sys.RLIMIT_FSIZE, &limit, nil); err != nil {
		c.t.Fatal(err)
	}
}
