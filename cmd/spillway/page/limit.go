package page

import (
	"net/netip"
	"sync"
	"time"
)

const (
	freeGuesses  = 5                // of a login from one address
	guessEvery   = 30 * time.Second // one more comes back after this
	mostGuessers = 4096             // addresses remembered
)

// guesses counts logins by address, so that guessing takes years and someone who mistypes waits half a minute. A whole
// IPv6 /64 counts as one, since one customer has at least that (RFC 6177 2).
type guesses struct {
	now func() time.Time

	mu  sync.Mutex
	who map[netip.Prefix]bucket
}

// A bucket is full again at a time; each guess moves that by guessEvery.
type bucket struct{ full time.Time }

func newGuesses(now func() time.Time) *guesses {
	return &guesses{now: now, who: map[netip.Prefix]bucket{}}
}

// take spends a guess, before it is looked at, so that many at once gain nothing. wait is zero where there was one left,
// else how long until the next.
func (g *guesses) take(addr netip.Addr) (wait time.Duration) {
	g.mu.Lock()
	defer g.mu.Unlock()
	now, key := g.now(), network(addr)
	full := g.who[key].full
	if full.Before(now) {
		full = now
	}
	if wait = full.Add(guessEvery).Sub(now) - freeGuesses*guessEvery; wait > 0 {
		return wait
	}
	g.makeRoom(now)
	g.who[key] = bucket{full.Add(guessEvery)}
	return 0
}

// right gives back the guess that was right.
func (g *guesses) right(addr netip.Addr) {
	g.mu.Lock()
	defer g.mu.Unlock()
	key := network(addr)
	if b, ok := g.who[key]; ok {
		g.who[key] = bucket{b.full.Add(-guessEvery)}
	}
}

// makeRoom forgets addresses that are full again, and where that is not enough the one that is so soonest.
func (g *guesses) makeRoom(now time.Time) {
	if len(g.who) < mostGuessers {
		return
	}
	var soonest netip.Prefix
	for key, b := range g.who {
		if !b.full.After(now) {
			delete(g.who, key)
			continue
		}
		if old, ok := g.who[soonest]; !ok || b.full.Before(old.full) {
			soonest = key
		}
	}
	if len(g.who) >= mostGuessers {
		delete(g.who, soonest)
	}
}

func network(addr netip.Addr) netip.Prefix {
	addr = addr.Unmap().WithZone("")
	bits := addr.BitLen()
	if addr.Is6() {
		bits = 64
	}
	p, _ := addr.Prefix(bits) // an invalid address gives the zero prefix, which counts as one
	return p
}
