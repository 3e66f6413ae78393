package run

import (
	"strings"
	"sync/atomic"
	"testing"
)

// TestBrokenPromisesAreFound breaks one promise after the other on purpose, and sees that the simulation notices, and for
// the right reason, within few seeds: a check that cannot fail shows nothing.
func TestBrokenPromisesAreFound(t *testing.T) {
	for _, c := range []struct {
		name   string
		broken breakage
		from   uint64 // the first seed: where it was found soon, when this was written
		within uint64 // seeds
		says   string
	}{
		{"a command is journaled before it is sent", breakage{sendsFirst: true}, 1, 20, "is sent before its intent would survive"},
		{"the spacing of a link is kept", breakage{noSpacing: true}, 1, 20, "after the last command on"},
		{"what may still arrive is followed by a command", breakage{trustsReads: true}, 1180, 4000, "belongs at"},
		{"what a hand set stays", breakage{forgetsHand: true}, 370, 600, "hand"},
		{"one poll ends no hold", breakage{hasty: true}, 1, 600, "holds it at"},
		{"what is begun runs for min_on", breakage{restless: true}, workshopSeeds + 1, 200, "and its min_on is"},
		{"what stopped rests for min_off", breakage{restless: true}, workshopSeeds + 1, 200, "and its min_off is"},
		{"what is set stays for min_hold", breakage{restless: true}, workshopSeeds + 1, 200, "and its min_hold is"},
		{"a battery is kept at its floor", breakage{drains: true}, workshopSeeds + 1, 200, "% are kept"},
		{"a tank is kept at its reserve", breakage{drains: true}, workshopSeeds + 1, 400, "°C are kept"},
	} {
		t.Run(c.name, func(t *testing.T) {
			var found atomic.Pointer[world]
			var tried atomic.Uint64
			eachSeed(c.from, c.within, func(seed uint64) bool {
				tried.Add(1)
				w := simulate(seed, c.broken, false)
				for _, b := range w.check.bad {
					if strings.Contains(b, c.says) {
						found.CompareAndSwap(nil, w)
						return false
					}
				}
				return true
			})
			w := found.Load()
			if w == nil {
				t.Fatalf("not found in %d seeds", c.within)
			}
			t.Logf("found after %d seeds: seed %d: %s", tried.Load(), w.seed, w.check.bad[0])
		})
	}
}
