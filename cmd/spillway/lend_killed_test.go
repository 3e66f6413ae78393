package main

import (
	"os"
	"strings"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/house"
)

// TestLentValueEndsWithAKill kills the real program with SIGKILL within the window: nobody is left to give anything back, and
// what the box was lent goes back by itself.
func TestLentValueEndsWithAKill(t *testing.T) {
	if testing.Short() {
		t.Skip("takes half a minute")
	}
	t.Parallel() // it mostly waits
	c := newCrash(t, build(t), crashSite{name: "lent", windows: 1, long: time.Minute})
	// By the program's clock, which renews after two fifths of it. The box counts its own seconds, which pass fifteen times as
	// fast: the ten times as many that it is told are ten seconds of ours.
	const lasts = 15 * time.Second
	text, err := os.ReadFile(c.file)
	if err != nil {
		t.Fatal(err)
	}
	const body = `body = '{"setting": "{value}"}'`
	lent := strings.Replace(string(text), body, `body = '{"setting": "{value}", "seconds": {seconds}0}', lasts = "15s"`, 1)
	if lent == string(text) {
		t.Fatalf("the configuration has no %s", body)
	}
	if err := os.WriteFile(c.file, []byte(lent), 0o600); err != nil {
		t.Fatal(err)
	}
	heating := actions.Ref{Device: house.Cylinder, Point: "heating"}
	of := func(by house.Source) (list house.Ledger) {
		for _, e := range c.house.Ledger().Of(house.LinkBoilerRoom, by) {
			if e.Point == heating {
				list = append(list, e)
			}
		}
		return list
	}
	c.start()
	c.wait("a renewal in the window", c.at, func() bool { return time.Now().After(c.start1) && len(of(house.Command)) > 2 })
	c.kill()
	commands := of(house.Command)
	if back := of(house.Itself); len(back) > 0 {
		t.Fatalf("went back while the program lived: %s", back[0])
	}
	c.wait("the heating to go back by itself", c.at, func() bool { return len(of(house.Itself)) > 0 })
	back, last := of(house.Itself)[0], commands[len(commands)-1]
	if took := back.At.Sub(last.At); back.After != actions.Named("programme") || took > 10*lasts+crashSpeed*onTheWay {
		t.Errorf("went back %s after the last renewal: %s", took, back)
	}
	if now := of(house.Command); len(now) != len(commands) {
		t.Errorf("a command came though the program was killed: %s", now[len(now)-1])
	}
	if len(c.astray()) == 0 {
		t.Error("nothing else was held, so that it shows nothing")
	}
}
