package page

import (
	"net/netip"
	"strings"
	"testing"
	"time"
)

// From the reference implementation, Debian's argon2: echo -n password | argon2 somesalt -id -t 2 -k 65536 -p 1 -l 32 -e
const known = "$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"

func TestKnownHash(t *testing.T) {
	h, err := parseHash(known + "\n")
	if err != nil {
		t.Fatal(err)
	}
	if !h.matches("password") {
		t.Error("the reference's hash is not that of its password")
	}
	if h.matches("Password") || h.matches("") {
		t.Error("another password matches")
	}
}

func TestParseHash(t *testing.T) {
	for _, c := range []struct {
		name, hash, says string
	}{
		{"empty", "", "no argon2id hash"},
		{"another variant", strings.Replace(known, "argon2id", "argon2d", 1), "no argon2id hash"},
		{"another version", strings.Replace(known, "v=19", "v=16", 1), "no argon2id hash"},
		{"no version", strings.Replace(known, "$v=19", "", 1), "no argon2id hash"},
		{"another order", strings.Replace(known, "m=65536,t=2,p=1", "t=2,m=65536,p=1", 1), "no argon2id hash"},
		{"something after", strings.Replace(known, "p=1", "p=1,x=2", 1), "no argon2id hash"},
		{"a sign", strings.Replace(known, "t=2", "t=+2", 1), "no argon2id hash"},
		{"more than 32 bits", strings.Replace(known, "m=65536", "m=99999999999", 1), "no argon2id hash"},
		{"no salt", strings.Replace(known, "c29tZXNhbHQ", "", 1), "no argon2id hash"},
		{"padding", strings.Replace(known, "c29tZXNhbHQ", "c29tZXNhbHQ=", 1), "no argon2id hash"},
		{"a short digest", known[:len(known)-30], "no argon2id hash"},
		{"cheap", strings.Replace(known, "m=65536", "m=16", 1), "too cheap"},
		{"no pass", strings.Replace(known, "t=2", "t=0", 1), "too cheap"},
		{"no lane", strings.Replace(known, "p=1", "p=0", 1), "too much"},
		{"lanes beyond a byte", strings.Replace(known, "p=1", "p=257", 1), "too much"},
		{"all memory", strings.Replace(known, "m=65536", "m=4000000000", 1), "too much"},
		{"for ever", strings.Replace(known, "t=2", "t=4000000000", 1), "too much"},
	} {
		if _, err := parseHash(c.hash); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}

func FuzzParseHash(f *testing.F) {
	f.Add(known)
	f.Add("$argon2id$v=19$m=7168,t=1,p=1$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAA")
	f.Fuzz(func(t *testing.T, s string) {
		h, err := parseHash(s)
		if err != nil {
			return
		}
		if h.kib < leastKiB || h.kib > mostKiB || h.passes < 1 || h.passes > mostPasses || h.lanes < 1 || h.lanes > mostLanes || len(h.salt) < leastSalt || len(h.digest) < leastDigest {
			t.Errorf("%q gives %+v", s, h)
		}
	})
}

func TestGuesses(t *testing.T) {
	now := time.Unix(1_000_000, 0)
	g := newGuesses(func() time.Time { return now })
	a, b := netip.MustParseAddr("192.0.2.1"), netip.MustParseAddr("::ffff:192.0.2.1")
	for i := range freeGuesses {
		if w := g.take(a); w != 0 {
			t.Fatalf("guess %d waits %s", i, w)
		}
	}
	if w := g.take(b); w != guessEvery {
		t.Errorf("the same address in IPv6 clothes waits %s", w)
	}
	if w := g.take(netip.MustParseAddr("192.0.2.2")); w != 0 {
		t.Errorf("another address waits %s", w)
	}
	six, other := netip.MustParseAddr("2001:db8::1"), netip.MustParseAddr("2001:db8::2")
	for range freeGuesses {
		g.take(six)
	}
	if w := g.take(other); w == 0 {
		t.Error("the next address of the same /64 starts anew")
	}
	now = now.Add(guessEvery)
	if w := g.take(a); w != 0 {
		t.Errorf("after a while one waits %s", w)
	}
	if w := g.take(a); w == 0 {
		t.Error("after a while there are two")
	}
	now = now.Add(freeGuesses * guessEvery)
	for range freeGuesses {
		if w := g.take(a); w != 0 {
			t.Errorf("later one waits %s", w)
		}
		g.right(a)
		g.take(a)
	}
	if w := g.take(a); w == 0 {
		t.Error("later there are more than at first")
	}
}

// However many addresses guess, memory stays bounded, and the one that guessed most is not forgotten for one that did once.
func TestGuessersAreBounded(t *testing.T) {
	now := time.Unix(1_000_000, 0)
	g := newGuesses(func() time.Time { return now })
	worst := netip.MustParseAddr("192.0.2.1")
	for range freeGuesses {
		g.take(worst)
	}
	addr := netip.MustParseAddr("198.18.0.0")
	for range 2 * mostGuessers {
		g.take(addr)
		addr = addr.Next()
	}
	if len(g.who) > mostGuessers {
		t.Errorf("%d addresses are remembered", len(g.who))
	}
	if w := g.take(worst); w == 0 {
		t.Error("a flood of addresses gave the guesser new guesses")
	}
}
