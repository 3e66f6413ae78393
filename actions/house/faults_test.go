package house

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"spillway/actions"
)

func inject(t *testing.T, s *Site, f Fault) {
	t.Helper()
	if err := s.Inject(f); err != nil {
		t.Fatal(err)
	}
}

func read(t *testing.T, s *Site, after time.Duration, point string) string {
	t.Helper()
	v, a := s.Read(storyStart(t).Add(after), ref(t, point))
	if !a.OK() {
		return "no answer"
	}
	return v.String()
}

func setting(t *testing.T, s *Site, after time.Duration, point string) string {
	t.Helper()
	s.Advance(storyStart(t).Add(after))
	return s.Settings()[ref(t, point)].String()
}

func write(t *testing.T, s *Site, after time.Duration, point, value string) Answer {
	t.Helper()
	v, no := (&cell{lowest: -1e6, most: 1e6}).parse(value)
	if no != nil {
		v = actions.Named(value)
	}
	return s.Write(storyStart(t).Add(after), ref(t, point), v)
}

func TestLostCommands(t *testing.T) {
	s := newSite(t, 1)
	inject(t, s, Fault{Kind: Lose, Link: LinkBarn, Count: 2})
	inject(t, s, Fault{Kind: Lose, Point: ref(t, "cylinder.boost")})
	for i, want := range []string{"own_use", "own_use", "charge"} {
		write(t, s, time.Duration(i)*time.Minute, "barn_battery.mode", "charge")
		if got := setting(t, s, time.Duration(i)*time.Minute, "barn_battery.mode"); got != want {
			t.Errorf("after command %d: %s, want %s", i+1, got, want)
		}
	}
	// An HTTP box that loses a command says yes all the same.
	if a := write(t, s, 3*time.Minute, "cylinder.boost", "on"); !a.OK() || setting(t, s, 3*time.Minute, "cylinder.boost") != "off" {
		t.Errorf("lost boost: %+v", a)
	}
	if write(t, s, 4*time.Minute, "cylinder.boost", "on"); setting(t, s, 4*time.Minute, "cylinder.boost") != "on" {
		t.Error("the second boost is lost, too")
	}
	if lost := len(s.Ledger()) - 2; lost != 3 {
		t.Errorf("%d lost, want 3:\n%v", lost, s.Ledger())
	}
}

func TestLateAndDoubledCommands(t *testing.T) {
	s := newSite(t, 1)
	inject(t, s, Fault{Kind: Late, Link: LinkBarn, By: 40 * time.Second})
	inject(t, s, Fault{Kind: Twice, Link: LinkHouse, By: 5 * time.Second})
	write(t, s, 0, "barn_battery.mode", "charge")
	write(t, s, 0, "house_battery.mode", "charge")
	if got := setting(t, s, 39*time.Second, "barn_battery.mode"); got != "own_use" {
		t.Errorf("before it is due: %s", got)
	}
	if got := setting(t, s, 40*time.Second, "barn_battery.mode"); got != "charge" {
		t.Errorf("when it is due: %s", got)
	}
	e := s.Ledger()[0]
	if e.Outcome != Accepted || e.Effect.Sub(e.At) != 40*time.Second || e.After != actions.Named("charge") {
		t.Errorf("in the ledger: %+v", e)
	}
	if again := s.Ledger().Of(LinkHouse, Repeat); len(again) != 1 || again[0].At.Sub(storyStart(t)) != 5*time.Second {
		t.Errorf("again: %v", again)
	}
	if n := len(s.Ledger().Of(LinkHouse, Command)); n != 1 {
		t.Errorf("one command counts as %d", n)
	}
}

func TestSlowTelling(t *testing.T) {
	s := newSite(t, 1)
	inject(t, s, Fault{Kind: Slow, Link: LinkBarn, By: time.Minute, For: time.Hour})
	inject(t, s, Fault{Kind: Slow, Link: LinkYard, By: time.Minute, For: time.Hour})
	write(t, s, 0, "barn_battery.mode", "charge")
	if got := read(t, s, 59*time.Second, "barn_battery.mode"); got != "own_use" {
		t.Errorf("told early: %s", got)
	}
	if got := read(t, s, 62*time.Second, "barn_battery.mode"); got != "charge" {
		t.Errorf("not told: %s", got)
	}
	if a := write(t, s, 62*time.Second, "van.control", "remote"); a.Delay != time.Minute {
		t.Errorf("the charger answers after %v", a.Delay)
	}
	if a := write(t, s, time.Hour, "van.control", "local"); a.Delay != 0 {
		t.Errorf("when it is over, the charger answers after %v", a.Delay)
	}
}

func TestOffline(t *testing.T) {
	s := newSite(t, 1)
	at := storyStart(t).Add(time.Minute)
	inject(t, s, Fault{Kind: Offline, Link: LinkBarn, At: at, For: 10 * time.Minute})
	inject(t, s, Fault{Kind: Offline, Link: LinkYard, At: at, For: 10 * time.Minute})
	write(t, s, 0, "barn_battery.charge_limit", "90")
	write(t, s, 2*time.Minute, "barn_battery.mode", "charge")
	if a := write(t, s, 2*time.Minute, "van.control", "remote"); a.Status != 0 {
		t.Errorf("a charger that is off answers %d", a.Status)
	}
	if got := read(t, s, 3*time.Minute, "van.control"); got != "no answer" {
		t.Errorf("a charger that is off reads %s", got)
	}
	if got := read(t, s, 3*time.Minute, "barn_battery.charge_limit"); got != "90" {
		t.Errorf("what the broker keeps of a gateway that is off: %s", got)
	}
	if lost := s.Ledger()[1:]; lost[0].Outcome != Lost || lost[1].Outcome != Lost {
		t.Errorf("sent to boxes that are off: %v", lost)
	}
	if got := setting(t, s, 12*time.Minute, "barn_battery.charge_limit") + setting(t, s, 12*time.Minute, "barn_battery.mode"); got != "90own_use" {
		t.Errorf("back again: %s", got)
	}
	if a := write(t, s, 12*time.Minute, "van.control", "remote"); !a.OK() {
		t.Errorf("back again, the charger says %+v", a)
	}
}

func TestReboot(t *testing.T) {
	s := newSite(t, 1)
	inject(t, s, Fault{Kind: Reboot, Link: LinkBarn, At: storyStart(t).Add(time.Minute), For: 20 * time.Second})
	s.Drain()
	if got := setting(t, s, 79*time.Second, "barn_battery.charge_power"); got != "2500" {
		t.Errorf("before it is up again: %s", got)
	}
	if got := read(t, s, 80*time.Second, "barn_battery.charge_power"); got != "1000" {
		t.Errorf("up again: %s", got)
	}
	dropped, told := false, false
	for _, m := range s.Drain() {
		dropped = dropped || m.Topic == ""
		told = told || m == Message{"barn/ice/mode", "rest"}
	}
	if !dropped || !told {
		t.Errorf("clients dropped %v, state told %v", dropped, told)
	}
	if resets := s.Ledger().Of(LinkBarn, Reset); len(resets) != 4 {
		t.Errorf("resets: %v", resets)
	}
	if n := len(s.Astray()); n != 4 {
		t.Errorf("%d settings astray, want 4", n)
	}
}

func TestLyingReadBack(t *testing.T) {
	s := newSite(t, 1)
	inject(t, s, Fault{Kind: Lie, Point: ref(t, "barn_battery.mode"), For: time.Minute})
	inject(t, s, Fault{Kind: Lie, Point: ref(t, "van.control"), For: time.Minute})
	write(t, s, 0, "barn_battery.mode", "charge")
	write(t, s, 0, "van.control", "remote")
	if got := read(t, s, 30*time.Second, "barn_battery.mode") + read(t, s, 30*time.Second, "van.control"); got != "own_uselocal" {
		t.Errorf("while they lie: %s", got)
	}
	if got := setting(t, s, 30*time.Second, "barn_battery.mode"); got != "charge" {
		t.Errorf("in truth: %s", got)
	}
	if got := read(t, s, 61*time.Second, "barn_battery.mode") + read(t, s, 61*time.Second, "van.control"); got != "chargeremote" {
		t.Errorf("when they are honest again: %s", got)
	}
}

func TestHand(t *testing.T) {
	s := newSite(t, 1)
	inject(t, s, Fault{Kind: ByHand, Point: ref(t, "barn_battery.charge_limit"), Value: actions.Number(60), At: storyStart(t).Add(time.Minute)})
	if got := read(t, s, time.Minute+2*time.Second, "barn_battery.charge_limit"); got != "60" {
		t.Errorf("after the hand: %s", got)
	}
	if len(s.Astray()) != 0 || len(s.Hands()) != 1 {
		t.Errorf("astray %v, hands %v", s.Astray(), s.Hands())
	}
	write(t, s, 2*time.Minute, "barn_battery.charge_limit", "70")
	if len(s.Astray()) != 1 {
		t.Errorf("astray %v", s.Astray())
	}
	write(t, s, 3*time.Minute, "barn_battery.charge_limit", "60")
	if len(s.Astray()) != 0 {
		t.Errorf("back where the hand left it, it is astray: %v", s.Astray())
	}
	// A hand at the charger need not ask for remote control first.
	inject(t, s, Fault{Kind: ByHand, Point: ref(t, "van.current"), Value: actions.Number(10)})
	if got := setting(t, s, 4*time.Minute, "van.current"); got != "10" {
		t.Errorf("current by hand: %s", got)
	}
}

func TestPlug(t *testing.T) {
	s := newSite(t, 1)
	inject(t, s, Fault{Kind: Plug, Value: actions.Named("no"), At: storyStart(t).Add(time.Hour)})
	if got := read(t, s, 59*time.Minute, "van.plugged") + read(t, s, time.Hour, "van.plugged"); got != "yesno" {
		t.Errorf("plugged before and after: %s", got)
	}
}

func TestFaultsThatCannotBe(t *testing.T) {
	s := newSite(t, 1)
	for _, f := range []Fault{
		{Kind: "flood", Link: LinkBarn},
		{Kind: Lose, Link: "attic"},
		{Kind: Lose},
		{Kind: Lie, Link: LinkBarn, For: time.Minute},
		{Kind: Lie, Point: ref(t, "van.control")},
		{Kind: Offline, Link: LinkBarn},
		{Kind: ByHand, Link: LinkBarn, Value: actions.Number(1)},
		{Kind: ByHand, Point: ref(t, "van.plugged"), Value: actions.Named("no")},
		{Kind: ByHand, Point: ref(t, "van.teapot"), Value: actions.Named("no")},
		{Kind: ByHand, Point: ref(t, "ice_bank.mode"), Value: actions.Named("charge")},
		{Kind: ByHand, Point: ref(t, "barn_battery.charge_limit"), Value: actions.Number(101)},
	} {
		if err := s.Inject(f); err == nil {
			t.Errorf("taken: %v", f)
		}
	}
}

func TestMischiefComesFromItsSeedAlone(t *testing.T) {
	s := newSite(t, 1)
	from, to := s.Now(), s.Now().Add(4*time.Hour)
	kinds := map[FaultKind]int{}
	for seed := range uint64(50) {
		all := s.Mischief(seed, from, to, 8)
		if diff := cmp.Diff(all, s.Mischief(seed, from, to, 8)); diff != "" {
			t.Fatal(diff)
		}
		for _, f := range all {
			kinds[f.Kind]++
			if f.At.Before(from) || !f.At.Before(to) {
				t.Errorf("seed %d: %v is at no time asked for", seed, f)
			}
			if f.Kind == Late || f.Kind == Twice {
				if f.By >= gatewaySpacing {
					t.Errorf("seed %d: %v comes after the next command may", seed, f)
				}
			}
			inject(t, s, f)
		}
	}
	if len(kinds) != 8 {
		t.Errorf("kinds seen: %v", kinds)
	}
}
