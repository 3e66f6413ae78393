package house

import (
	"testing"
	"time"

	"spillway/actions"
)

// The story, played by hand as a perfect plan would: it must have something to do, stay below the fuse, and leave
// everything as it was. This checks the figures of the premises, not a planner.
func TestStoryHasRoomForAGoodPlan(t *testing.T) {
	for seed := range uint64(10) {
		s := newSite(t, seed)
		steps := []struct {
			h, m, sec    int
			point, value string
		}{
			{0, 28, 0, "van.control", "remote"},
			{0, 28, 0, "house_battery.charge_limit", "95"},
			{0, 28, 30, "house_battery.charge_power", "2000"},
			{0, 30, 0, "house_battery.mode", "charge"},
			{0, 30, 0, "barn_battery.mode", "idle"},
			{0, 30, 0, "van.current", "16"},
			{1, 0, 0, "cylinder.heating", "standby"},
			{2, 58, 0, "barn_battery.charge_limit", "100"},
			{2, 58, 30, "barn_battery.charge_power", "5000"},
			{3, 0, 0, "van.current", "10"},
			{3, 0, 1, "barn_battery.mode", "charge"},
			{3, 0, 1, "cylinder.boost", "on"},
			{3, 0, 16, "ice_bank.mode", "freeze"},
			{3, 25, 0, "cylinder.boost", "off"},
			{4, 0, 0, "barn_battery.mode", "idle"},
			{4, 0, 1, "van.current", "16"},
			{4, 0, 1, "cylinder.heating", "programme"},
			{4, 0, 15, "ice_bank.mode", "own"},
			{4, 0, 30, "barn_battery.charge_power", "2500"},
			{4, 0, 45, "barn_battery.charge_limit", "85"},
			{4, 30, 0, "house_battery.mode", "own_use"},
			{4, 30, 0, "van.current", "0"},
			{4, 30, 1, "van.control", "local"},
			{4, 30, 0, "barn_battery.mode", "own_use"},
			{4, 30, 15, "house_battery.charge_power", "1500"},
			{4, 30, 30, "house_battery.charge_limit", "80"},
		}
		before := map[string]float64{}
		for _, step := range steps {
			at := clockAt(t, step.h, step.m, step.sec)
			s.Advance(at)
			if step.h == 3 && step.m == 0 && step.sec == 0 {
				before = s.Snapshot().Level
			}
			if a := write(t, s, at.Sub(storyStart(t)), step.point, step.value); !a.OK() {
				t.Fatalf("%s = %s: %+v", step.point, step.value, a)
			}
		}
		s.Advance(clockAt(t, 4, 32, 0))
		if len(s.Astray()) > 0 {
			t.Errorf("seed %d: astray %v", seed, s.Astray())
		}
		for _, e := range s.Ledger() {
			if e.Outcome != Accepted {
				t.Errorf("seed %d: %v", seed, e)
			}
		}
		if ex := s.Excess(); len(ex) > 0 {
			t.Errorf("seed %d: above the fuse: %v", seed, ex)
		}
		if w, at := s.Peak(); w < 12000 || !at.After(clockAt(t, 3, 0, 0)) || at.After(clockAt(t, 4, 0, 0)) {
			t.Errorf("seed %d: the peak is %v W at %v", seed, w, at)
		}
		after := s.Snapshot().Level
		if gain := after[BarnBattery] - before[BarnBattery]; gain < 34 {
			t.Errorf("seed %d: the barn battery took only %v %%", seed, gain)
		}
		for name, full := range map[string]float64{BarnBattery: 85, HouseBattery: 95, IceBankName: 97} {
			if before[name] >= full {
				t.Errorf("seed %d: %s is full before the surplus: %v", seed, name, before[name])
			}
		}
		if before[Van] < 2.3 {
			t.Errorf("seed %d: the van needs only %v kWh in the surplus", seed, before[Van])
		}
	}
}

func TestStoryTimes(t *testing.T) {
	end, err := StoryEnd()
	if err != nil {
		t.Fatal(err)
	}
	if length := end.Sub(storyStart(t)); length != 4*time.Hour+17*time.Minute {
		t.Errorf("the story takes %v", length)
	}
	if got := storyStart(t); !got.Equal(time.Date(2026, 10, 13, 23, 15, 0, 0, time.UTC)) { // a quarter past midnight, summer time
		t.Errorf("it begins at %v", got)
	}
}

func TestLedgerFindsWhatIsOutside(t *testing.T) {
	s := newSite(t, 1)
	write(t, s, 0, "van.control", "remote")
	write(t, s, time.Hour, "van.current", "16")
	inject(t, s, Fault{Kind: ByHand, Point: ref(t, "ice_bank.mode"), Value: actions.Named("rest"), At: storyStart(t).Add(2 * time.Hour)})
	s.Advance(storyStart(t).Add(3 * time.Hour))
	outside := s.Ledger().Outside(Span{storyStart(t), storyStart(t).Add(time.Hour)})
	if len(outside) != 1 || outside[0].Point != ref(t, "van.current") {
		t.Errorf("outside: %v", outside)
	}
}

func TestFuseIsWatched(t *testing.T) {
	s := newSite(t, 1)
	write(t, s, 0, "barn_battery.charge_power", "5000")
	write(t, s, 0, "house_battery.charge_power", "3600")
	write(t, s, 20*time.Second, "barn_battery.mode", "charge")
	write(t, s, 20*time.Second, "house_battery.mode", "charge")
	write(t, s, 30*time.Second, "van.control", "remote")
	write(t, s, 30*time.Second, "van.current", "32")
	write(t, s, 90*time.Second, "van.current", "0")
	s.Advance(storyStart(t).Add(10 * time.Minute))
	ex := s.Excess()
	if len(ex) != 1 {
		t.Fatalf("above the fuse: %v", ex)
	}
	// 60 A at 230 V is 13.8 kW; 5 and 3.6 kW and 32 A are 15.96 without the household.
	if from, to := ex[0].From.Sub(storyStart(t)), ex[0].To.Sub(storyStart(t)); from != 30*time.Second || to != 90*time.Second || ex[0].PeakW < 15960 {
		t.Errorf("from %v to %v up to %v W", from, to, ex[0].PeakW)
	}
}
