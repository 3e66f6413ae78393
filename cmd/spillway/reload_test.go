package main

import (
	"fmt"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"spillway/actions/house"
)

// TestReload reads the configuration again in the middle of a window: a good one takes over and a bad one changes nothing,
// and either way the devices see no command for it.
func TestReload(t *testing.T) {
	const refused, taken = "the configuration is refused", "was read again and is in force"
	s := newStage(t, "", window("reload", 5*time.Minute, 30*time.Minute))
	s.begin()
	good := s.text()
	s.until(12 * time.Minute)
	s.wait("the window to hold something", s.held)
	s.wait("the runner to rest", func() bool { return s.atRest() })
	commands := len(s.house.Ledger().Of("", house.Command))
	first, address := s.daemon(), s.daemon().feedURL()

	busy, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer busy.Close()
	without := good[:strings.Index(good, "[devices.barn_battery]")] + good[strings.Index(good, "[devices.house_battery]"):]
	s.clock.slow(true) // all of this is to happen within the window
	for name, text := range map[string]string{
		"no TOML":                "[supply",
		"an unknown key":         good + "\n[supplies]\n",
		"another state folder":   strings.Replace(good, "/state\"", "/state2\"", 1),
		"a held device left out": withoutStatements(without),
	} {
		s.write(text)
		s.hangUp(refused)
		if s.daemon() != first {
			t.Fatalf("%s: another daemon took over", name)
		}
	}

	s.write(strings.Replace(good, `listen = "127.0.0.1:0"`, fmt.Sprintf("listen = %q", busy.Addr()), 1))
	s.hangUp(refused)
	s.wait("the old configuration to come back", func() bool { return s.daemon() != first && s.up() })

	s.write(strings.Replace(good, `poll = "2m"`, `poll = "1m"`, 1))
	s.hangUp(taken)
	s.wait("the new configuration to be ready", func() bool { return s.daemon().cfg.Feeds[0].Poll == time.Minute && s.up() })
	if got := s.daemon().feedURL(); got != address {
		t.Errorf("the plan feed moved from %s to %s", address, got)
	}
	res, err := http.Get(address)
	if err != nil {
		t.Fatal(err)
	}
	_ = res.Body.Close()
	if res.StatusCode != http.StatusOK {
		t.Errorf("the plan feed answers %s", res.Status)
	}
	if s.clock.Now().Sub(s.start) > 34*time.Minute {
		t.Fatal("the window is over already: this shows nothing")
	}
	s.clock.slow(false)
	if l := s.house.Ledger().Of("", house.Command); len(l) != commands {
		t.Errorf("the devices saw commands for it:\n%v", l[commands:])
	}
	s.until(35 * time.Minute)
	s.wait("everything to be back at its normal", func() bool { return !s.held() })
	if n := strings.Count(s.sent.String(), "RELOADING=1"); n != 6 {
		t.Errorf("the service manager was told %d times that it reloads, want 6:\n%s", n, s.sent)
	}
	if err := s.stop(); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(s.sent.String(), "STOPPING=1") {
		t.Errorf("the service manager was not told of the end:\n%s", s.sent)
	}
}

// withoutStatements takes out the lines that name the barn's battery.
func withoutStatements(text string) string {
	var keep []string
	for l := range strings.SplitSeq(text, "\n") {
		if !strings.Contains(l, "barn_battery.") || strings.HasPrefix(l, "[") {
			keep = append(keep, l)
		}
	}
	return strings.Join(keep, "\n")
}

// atRest reports whether every step that was due is over.
func (s *stage) atRest() bool {
	snap := s.snapshot()
	if snap.Plan == nil {
		return false
	}
	for _, st := range snap.Standing.Steps {
		if !st.State.Over() {
			return false
		}
	}
	for i := range snap.Plan.Steps {
		if st := &snap.Plan.Steps[i]; st.At.Before(s.clock.Now()) {
			if done, ok := snap.Standing.Steps[st.ID]; !ok || !done.State.Over() {
				return false
			}
		}
	}
	return true
}

// up reports whether the daemon at work has made a plan.
func (s *stage) up() bool {
	snap, _ := s.daemon().runner.Snapshot()
	return snap.Plan != nil && s.svc.swapped.Load() == nil
}
