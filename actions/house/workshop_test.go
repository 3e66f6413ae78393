package house

import (
	"testing"
	"time"

	"spillway/actions"
)

// A workshop changes nothing of what stood before, and its devices do what they are told.
func TestWorkshop(t *testing.T) {
	start := storyStart(t)
	plain, err := NewSite(start, 1, StoryLevels())
	if err != nil {
		t.Fatal(err)
	}
	s, err := NewSite(start, 1, StoryLevels())
	if err != nil {
		t.Fatal(err)
	}
	s.AddWorkshop(Workshop{Battery: 50, BufferC: 44, HeatPump: true})
	set := func(device, point string, v actions.Value) {
		t.Helper()
		if a := s.Write(s.Now(), actions.Ref{Device: device, Point: point}, v); !a.OK() {
			t.Fatalf("%s.%s = %s: %s", device, point, v, a.Why)
		}
	}
	set(WorkshopBattery, "power", actions.Number(-1900))
	set(Dryer, "run", actions.Named("on"))
	s.Advance(start.Add(10 * time.Minute))
	near(t, "the heat pump draws below its band", s.Snapshot().DrawW[HeatPump], 2000, 0)
	now := start.Add(time.Hour)
	s.Advance(now)
	plain.Advance(now)
	got, was := s.Snapshot(), plain.Snapshot()
	for name, level := range was.Level {
		near(t, "level of "+name, got.Level[name], level, 1e-9)
	}
	// 1,900 W for an hour at 0.95 one way are 2,000 Wh of 8,000 Wh: 25 %.
	near(t, "level of the battery", got.Level[WorkshopBattery], 25, 0.01)
	near(t, "the dryer took", got.Wh[Dryer], 700, 0.01)
	// (2,000 W x 3 - 60 W - 1,500 W) / (300 L x 1.1628 Wh/(L K)) are 12.7 K an hour: 6 K take 28 minutes. Then it loses
	// (60 W + 1,500 W) / (300 L x 1.1628 Wh/(L K)), 4.5 K an hour, for the other 32.
	near(t, "temperature of the buffer", got.Level[HeatPump], 47.6, 0.05)
	set(HeatPump, "run", actions.Named("off"))
	s.Advance(now.Add(time.Hour))
	near(t, "temperature of the buffer, an hour off later", s.Snapshot().Level[HeatPump], 43.2, 0.05)
	near(t, "the heat pump draws while it is off", s.Snapshot().DrawW[HeatPump], 0, 0)

	// Without a floor of its own it gives back until it is empty.
	set(WorkshopBattery, "power", actions.Number(-3000))
	s.Advance(now.Add(3 * time.Hour))
	near(t, "level of the empty battery", s.Snapshot().Level[WorkshopBattery], 0, 0.01)
	if got := s.Normals()[actions.Ref{Device: HeatPump, Point: "run"}]; got != actions.Named("on") {
		t.Errorf("the heat pump's normal is %s", got)
	}
}
