package main

import (
	"testing"
)

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
			c := newCrash(t, bin, crashSite{name: phase, windows: 1})
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
	kills, r := killed(t)
	c := newCrash(t, build(t), crashSite{name: "random", windows: windowsFor(kills)})
	c.killOften(kills, r)
	c.settled()
	c.summary(kills)
}
