package main

import (
	"strings"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/house"
)

// What a box is lent stays while the program lives to renew it, and goes back by itself once it does not.
func TestLentValueEndsWithTheProgram(t *testing.T) {
	s := newStage(t, "", window("long", 8*time.Minute, 30*time.Minute))
	const lasts = 10 * time.Minute
	body := `body = '{"setting": "{value}"}'`
	text := strings.Replace(s.text(), body, `body = '{"setting": "{value}", "seconds": {seconds}}', lasts = "10m"`, 1)
	if text == s.text() {
		t.Fatalf("the configuration has no %s", body)
	}
	s.write(text)
	heating := actions.Ref{Device: house.Cylinder, Point: "heating"}
	of := func(by house.Source) (list house.Ledger) {
		for _, e := range s.house.Ledger().Of(house.LinkBoilerRoom, by) {
			if e.Point == heating {
				list = append(list, e)
			}
		}
		return list
	}
	s.begin()
	s.until(28 * time.Minute)
	commands := of(house.Command)
	if n := len(commands); n < 5 || len(of(house.Itself)) > 0 {
		t.Fatalf("%d commands in 22 minutes, and it went back by itself %d times", n, len(of(house.Itself)))
	}
	for i, e := range commands {
		if e.Asked != "standby" || i > 0 && e.At.Sub(commands[i-1].At) >= lasts {
			t.Errorf("came too late or was no renewal: %s", e)
		}
	}
	if err := s.stop(); err != nil {
		t.Fatal(err)
	}
	last := of(house.Command)
	s.wait("the heating to go back by itself", func() bool { return len(of(house.Itself)) > 0 })
	back := of(house.Itself)[0]
	if back.After != actions.Named("programme") || back.At.Sub(last[len(last)-1].At) > lasts+time.Second {
		t.Errorf("went back %s after the last renewal: %s", back.At.Sub(last[len(last)-1].At), back)
	}
	if len(of(house.Command)) != len(last) {
		t.Error("a command came though the program had ended")
	}
	s.until(39 * time.Minute)
	s.begin()
	s.wait("the rest to be given back", func() bool { return !s.held() && len(s.snapshot().Owed()) == 0 })
	if now := of(house.Command); len(now) != len(last) {
		t.Errorf("what had gone back by itself was sent again: %s", now[len(now)-1])
	}
}
