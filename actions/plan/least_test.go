package plan

import (
	"math/rand"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"spillway/actions"
)

// pump is premises with a compressor that may not be switched to and fro, on a link without spacing. Ten minutes is what
// SG Ready asks a state to be held for (from memory).
func pump(list ...proc) *actions.Premises {
	p := outlet(10, 1, loadOf("pump", 2, 0), batteryOf("shed", 3, 10))
	p.Device("pump").MinOn, p.Device("pump").MinOff = 20*time.Minute, 10*time.Minute
	p.Device("shed").MinHold = 5 * time.Minute
	return procedures(p, list...)
}

func TestLeastTimes(t *testing.T) {
	on := proc{name: "on", rank: 1, during: []string{"pump.run = on"}}
	off := proc{name: "off", rank: 2, during: []string{"pump.run = off"}}
	brief := proc{name: "brief", rank: 1, during: []string{"pump.run = on for 12m"}}
	slow := proc{name: "slow", rank: 1, during: []string{"shed.power = 1000 W"}}
	fast := proc{name: "fast", rank: 2, during: []string{"shed.power = 3000 W"}}
	for _, c := range []struct {
		name    string
		windows []actions.Window
		steps   []string
		says    string // in window b
	}{
		{"long enough", []actions.Window{win("b", "on", "13:00", "13:20")}, []string{"13:00:00 pump.run=on", "13:20:00 pump.run=off"}, ""},
		{"too short a window is not begun", []actions.Window{win("b", "on", "13:00", "13:19")}, nil,
			"“pump.run = on” is not begun: it could run for 19m, and once on it stays on for 20m (min_on)"},
		{"too short a for is not begun", []actions.Window{win("b", "brief", "13:00", "14:00")}, nil,
			"“pump.run = on for 12m” is not begun: it could run for 12m, and once on it stays on for 20m (min_on)"},
		{"what another stops too soon is not begun", []actions.Window{win("b", "on", "13:00", "14:00"), win("a", "off", "13:10", "14:00")}, nil, "could run for 10m"},
		{"what another stops later runs", []actions.Window{win("b", "on", "13:00", "14:00"), win("a", "off", "13:30", "14:00")},
			[]string{"13:00:00 pump.run=on", "13:30:00 pump.run=off"}, ""},
		{"a start soon after a stop is put off", []actions.Window{win("a", "on", "13:00", "14:00"), win("b", "on", "14:05", "15:00")},
			[]string{"13:00:00 pump.run=on", "14:00:00 pump.run=off", "14:10:00 pump.run=on", "15:00:00 pump.run=off"},
			"“pump.run = on” is put off to 14:10: once off it stays off for 10m (min_off)"},
		{"put off, what is left is too short", []actions.Window{win("a", "on", "13:00", "14:00"), win("b", "on", "14:05", "14:25")},
			[]string{"13:00:00 pump.run=on", "14:00:00 pump.run=off"}, "could run for 15m"},
		{"windows that touch are one run", []actions.Window{win("a", "on", "13:00", "13:10"), win("b", "on", "13:10", "13:20")},
			[]string{"13:00:00 pump.run=on", "13:20:00 pump.run=off"}, ""},
		{"what was masked comes back after its rest", []actions.Window{win("b", "on", "13:00", "15:00"), win("a", "off", "14:00", "14:05")},
			[]string{"13:00:00 pump.run=on", "14:00:00 pump.run=off", "14:10:00 pump.run=on", "15:00:00 pump.run=off"}, "put off to 14:10"},
		{"a setpoint stays for min_hold before it is raised", []actions.Window{win("a", "slow", "13:00", "14:00"), win("b", "fast", "13:02", "14:00")},
			[]string{"13:00:00 shed.power=1000", "13:05:00 shed.power=3000", "14:00:00 shed.power=0"},
			"“shed.power = 3000 W” is put off to 13:05: a value that was set stays for 5m (min_hold)"},
		{"and is lowered at once", []actions.Window{win("a", "fast", "13:00", "13:02"), win("b", "slow", "12:30", "13:02")},
			[]string{"12:30:00 shed.power=1000", "13:00:00 shed.power=3000", "13:02:00 shed.power=0"}, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := planOf(pump(on, off, brief, slow, fast), "12:00", c.windows)
			sameLines(t, "steps", stepLines(p), c.steps...)
			if got := problems(p, "b"); c.says == "" && got != "" || !strings.Contains(got, c.says) {
				t.Errorf("window b says %q, want %q", got, c.says)
			}
		})
	}
}

// What gives back ends with its window, also where the charge that follows is put off.
func TestNothingIsGivenBackWhileAChargeIsPutOff(t *testing.T) {
	p := pump()
	pw := p.Point(ref("shed.power"))
	pw.Min, pw.Normal = -3000, actions.Number(0)
	procedures(p, proc{name: "back", rank: 2, during: []string{"shed.power = -1000 W"}}, proc{name: "charge", rank: 1, during: []string{"shed.power = 2000 W"}})
	plan := planOf(p, "12:00", []actions.Window{win("a", "back", "13:00", "13:02"), win("b", "charge", "13:00", "14:00")}, "shed.level=60")
	sameLines(t, "steps", stepLines(plan), "13:00:00 shed.power=-1000", "13:02:00 shed.power=0", "13:05:00 shed.power=2000", "14:00:00 shed.power=0")
	mustContain(t, problems(plan, "b"), "is put off to 13:05: a value that was set stays for 5m (min_hold)")
}

// What stopped before this plan was made counts: the standing knows when.
func TestLeastTimesAfterAStop(t *testing.T) {
	p := pump(proc{name: "on", during: []string{"pump.run = on"}})
	s := scene{truth: map[actions.Ref]actions.Value{ref("pump.run"): actions.Named("off")}}
	s.Input = Input{Premises: p, Now: at("12:00"), Standing: actions.NewStanding(), Windows: []actions.Window{win("a", "on", "13:00", "14:00")}}
	first := Make(s.Input)
	e := newExecutor(s)
	e.run(p, first.Steps, at("14:03"))
	again := s.Input
	again.Now, again.Standing, again.Current = at("14:03"), e.standing, first
	again.Windows = append(slices.Clone(s.Windows), win("b", "on", "14:02", "15:00"))
	second := Make(again)
	sameLines(t, "steps", stepLines(second), "14:10:00 pump.run=on", "15:00:00 pump.run=off")

	// A window that comes to light while it runs, and stops it early, stops it on time: what runs is not begun anew.
	e = newExecutor(s)
	e.run(p, first.Steps, at("13:05"))
	again.Now, again.Standing, again.Windows = at("13:05"), e.standing, []actions.Window{win("a", "on", "13:00", "13:15")}
	sameLines(t, "steps", stepLines(Make(again)), "13:15:00 pump.run=off")
}

// A stop that is on its way while the plan is made counts as well.
func TestLeastTimesWhileAStopIsUnderWay(t *testing.T) {
	p := pump(proc{name: "on", during: []string{"pump.run = on"}})
	s := scene{truth: map[actions.Ref]actions.Value{ref("pump.run"): actions.Named("off")}}
	s.Input = Input{Premises: p, Now: at("12:00"), Standing: actions.NewStanding(), Windows: []actions.Window{win("a", "on", "13:00", "14:00")}}
	first := Make(s.Input)
	e := newExecutor(s)
	e.run(p, first.Steps, at("13:30"))
	e.standing.Apply(actions.Entry{Kind: actions.EntryIntent, At: at("14:00"), Step: first.Steps[1], Tries: 1})
	s.Now, s.Standing, s.Current = at("14:00"), e.standing, first
	s.Windows = append(slices.Clone(s.Windows), win("b", "on", "14:00", "15:00"))
	sameLines(t, "steps", stepLines(Make(s.Input)), "14:00:00 pump.run=off", "14:10:00 pump.run=on", "15:00:00 pump.run=off")
}

// A start that may have been sent as the program ended is sent again, and not put off for itself.
func TestLeastTimesWhileAStartIsUnderWay(t *testing.T) {
	p := pump(proc{name: "on", during: []string{"pump.run = on"}})
	p.Device("pump").MinHold = 5 * time.Minute
	s := scene{truth: map[actions.Ref]actions.Value{ref("pump.run"): actions.Named("off")}}
	s.Input = Input{Premises: p, Now: at("12:00"), Standing: actions.NewStanding(), Windows: []actions.Window{win("a", "on", "13:00", "14:00")}}
	first := Make(s.Input)
	e := newExecutor(s)
	e.standing.Apply(actions.Entry{Kind: actions.EntryNormal, At: at("13:00"), Point: ref("pump.run"), Value: actions.Named("off")})
	e.standing.Apply(actions.Entry{Kind: actions.EntryIntent, At: at("13:00"), Step: first.Steps[0], Tries: 1})
	s.Now, s.Standing = at("13:03"), e.standing
	sameLines(t, "steps", stepLines(Make(s.Input)), "13:03:00 pump.run=on", "14:00:00 pump.run=off")
	// Neither is one that was sent and not confirmed yet.
	e.standing.Apply(actions.Entry{Kind: actions.EntrySent, At: at("13:00"), Step: first.Steps[0]})
	s.Standing = e.standing
	sameLines(t, "steps", stepLines(Make(s.Input)), "13:03:00 pump.run=on", "14:00:00 pump.run=off")
}

// A return to a normal that draws goes on time; that it breaks min_off is said.
func TestARestoreIsNeverPutOff(t *testing.T) {
	p := pump(proc{name: "off", during: []string{"pump.run = off"}})
	p.Point(ref("pump.run")).Normal = actions.Named("on")
	plan := planOf(p, "12:00", []actions.Window{win("a", "off", "13:00", "13:05")})
	sameLines(t, "steps", stepLines(plan), "13:00:00 pump.run=off", "13:05:00 pump.run=on")
	mustContain(t, problems(plan, "a"), "pump.run goes back to on at 13:05, 5m after it was stopped: sooner than its min_off of 10m, since a restore always goes on time")
}

// drawLeastScene is a random scene in which devices ask for least times. Where known, every normal can be read: one that
// turns out to draw changes what is a start.
func drawLeastScene(t *rapid.T, o sceneOptions, known bool) scene {
	s := drawScene(t, o)
	for r, v := range s.truth {
		if known && !s.Premises.Point(r).Normal.Known {
			s.Readings[r] = actions.Reading{Value: v, At: s.Now}
		}
	}
	for i := range s.Premises.Devices {
		d := &s.Premises.Devices[i]
		minutes := func(name string) time.Duration {
			return time.Duration(rapid.IntRange(0, 30).Draw(t, name)) * time.Minute
		}
		d.MinOn, d.MinOff, d.MinHold = minutes("min on"), minutes("min off"), minutes("min hold")
	}
	return s
}

// shortCycles returns what the steps, from the normals on, do against a least time that no rule excuses. Where they come of
// plans made again and again, the end of a hold may cut a run that an earlier plan had go on under another.
func shortCycles(s scene, steps []actions.Step, again bool) (bad []string) {
	type state struct {
		on         bool
		began, end time.Time
		set        time.Time
	}
	points := map[actions.Ref]*state{}
	for _, x := range steps {
		d, pt := s.Premises.Device(x.Point.Device), s.Premises.Point(x.Point)
		if _, draws := s.Premises.DrawW(d, pt, actions.Value{}); !draws {
			continue
		}
		st := points[x.Point]
		if st == nil {
			st = &state{on: drawsOf(s, x.Point, x.From) > 0}
			points[x.Point] = st
		}
		before, after := drawsOf(s, x.Point, x.From), drawsOf(s, x.Point, x.Value)
		back := x.Release && x.Phase == actions.PhaseRestore
		starts, stops := before <= 0 && after > 0, before > 0 && after <= 0
		if starts && !back && !st.end.IsZero() && x.At.Before(st.end.Add(d.MinOff)) {
			bad = append(bad, x.ID+" starts too soon")
		}
		if after > before && !back && !st.set.IsZero() && x.At.Before(st.set.Add(d.MinHold)) {
			bad = append(bad, x.ID+" sets another value too soon")
		}
		if stops && !st.began.IsZero() && x.At.Sub(st.began) < d.MinOn-queued && !(again && x.Phase == actions.PhaseRestore) {
			bad = append(bad, x.ID+" stops too soon")
		}
		switch {
		case starts:
			st.began = x.At
			if back {
				st.began = time.Time{} // the premises' own
			}
		case stops:
			st.end = x.At
		}
		if st.set = x.At; back {
			st.set = time.Time{}
		}
	}
	return bad
}

func drawsOf(s scene, r actions.Ref, v actions.Value) float64 {
	if !v.Known {
		return 0
	}
	w, _ := s.Premises.DrawW(s.Premises.Device(r.Device), s.Premises.Point(r), v)
	return max(0, w)
}

// However windows lie, no run is shorter than min_on, no rest shorter than min_off and no value is raised before min_hold;
// everything is given back, and the order of the windows changes nothing.
func TestLeastTimesAreKept(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawLeastScene(t, sceneOptions{ranks: 3, noRestore: true}, false)
		p := Make(s.Input)
		if bad := shortCycles(s, p.Steps, false); len(bad) > 0 {
			t.Fatalf("%v\n%s", bad, dump(p))
		}
		e := newExecutor(s)
		e.run(s.Premises, p.Steps, s.Now.AddDate(0, 0, 9))
		for r, v := range s.truth {
			if e.values[r] != v || e.standing.Points[r].Owed {
				t.Errorf("%s is %s in the end, its normal is %s\n%s", r, e.values[r], v, dump(p))
			}
		}
		seed := rapid.Int64().Draw(t, "seed")
		s.Windows = slices.Clone(s.Windows)
		rand.New(rand.NewSource(seed)).Shuffle(len(s.Windows), func(i, j int) { s.Windows[i], s.Windows[j] = s.Windows[j], s.Windows[i] })
		if again := Make(s.Input); !reflect.DeepEqual(p, again) {
			t.Fatal(cmp.Diff(dump(p), dump(again)))
		}
	})
}

// Planning again from the standing leaves what is left as it was.
func TestLeastTimesWhenPlannedAgain(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawLeastScene(t, sceneOptions{ranks: 2, noRestore: true, early: true}, true)
		s.Premises.Supply.LimitW = 0 // what waits for others to let go goes as soon as that is read back, be it sooner than planned
		first := Make(s.Input)
		e := newExecutor(s)
		now := s.Now.Add(time.Duration(rapid.IntRange(0, 4500).Draw(t, "minutes")) * time.Minute)
		if len(first.Steps) > 0 && rapid.Bool().Draw(t, "at a step") {
			now = rapid.SampledFrom(first.Steps).Draw(t, "step").At.Add(time.Duration(rapid.IntRange(0, 3).Draw(t, "after")) * time.Second)
		}
		e.run(s.Premises, first.Steps, now)
		again := s.Input
		again.Now, again.Standing, again.Current, again.Readings = now, e.standing, first, e.look(now, s.Readings)
		var left []actions.Step
		for _, x := range first.Steps {
			if x.At.After(now) {
				left = append(left, x)
			}
		}
		if want, got := short(left, !crowded(first)), short(Make(again).Steps, !crowded(first)); !sameExceptUnknown(want, got) {
			t.Fatalf("at %s (-first +second):\n%s\nfirst %s", now, cmp.Diff(want, got), dump(first))
		}
	})
}

// However often the plan is made anew, whatever is sent keeps the least times.
func TestLeastTimesWhenPlannedOften(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawLeastScene(t, sceneOptions{ranks: 2, noRestore: true}, true)
		e := newExecutor(s)
		in := s.Input
		var sent []actions.Step
		for in.Now.Before(s.Now.Add(30 * time.Hour)) {
			in.Standing, in.Readings = e.standing.Clone(), e.look(in.Now, s.Readings)
			in.Current = Make(in)
			next := in.Now.Add(time.Duration(rapid.IntRange(1, 12000).Draw(t, "seconds")) * time.Second)
			for _, x := range in.Current.Steps {
				if !x.At.After(next) {
					sent = append(sent, x)
				}
			}
			e.run(s.Premises, in.Current.Steps, next)
			in.Now = next
		}
		if bad := shortCycles(s, sent, true); len(bad) > 0 {
			t.Fatalf("%v\n%s", bad, strings.Join(short(sent, true), "\n"))
		}
		for r, v := range s.truth {
			if e.values[r] != v || e.standing.Points[r].Owed {
				t.Errorf("%s is %s in the end, its normal is %s", r, e.values[r], v)
			}
		}
	})
}

// What runs on a share and may not stop yet goes on, though another that has come meanwhile would take more in its place.
func TestAShareThatRunsGoesOn(t *testing.T) {
	p := procedures(outlet(1.5, 1, loadOf("kiln", 1.4, 0), loadOf("pump", 1, 0)),
		proc{name: "one", during: []string{"pump.run = auto"}}, proc{name: "two", during: []string{"kiln.run = auto"}})
	p.Device("pump").MinOn = 40 * time.Minute
	s := scene{truth: map[actions.Ref]actions.Value{ref("pump.run"): actions.Named("off"), ref("kiln.run"): actions.Named("off")}}
	s.Input = Input{Premises: p, Now: at("12:00"), Standing: actions.NewStanding(), Windows: []actions.Window{win("a", "one", "13:00", "14:30")}}
	first := Make(s.Input)
	e := newExecutor(s)
	e.run(p, first.Steps, at("13:10"))
	s.Now, s.Standing, s.Current = at("13:10"), e.standing, first
	s.Windows = append(slices.Clone(s.Windows), win("b", "two", "13:05", "14:30"))
	sameLines(t, "steps", stepLines(Make(s.Input)), "13:40:00 pump.run=off", "13:40:01 kiln.run=on", "14:30:00 kiln.run=off")
}

// What a statement with a value began goes on once a sharing gets it, though others shared before.
func TestASharingGoesOnWithWhatItGets(t *testing.T) {
	p := procedures(outlet(1.5, 1, loadOf("kiln", 1.4, 0), loadOf("pump", 1, 0)), proc{name: "on", during: []string{"pump.run = on"}},
		proc{name: "one", rank: 1, during: []string{"pump.run = auto"}}, proc{name: "two", during: []string{"kiln.run = auto"}})
	p.Device("pump").MinOn = 40 * time.Minute
	s := scene{truth: map[actions.Ref]actions.Value{ref("pump.run"): actions.Named("off"), ref("kiln.run"): actions.Named("off")}}
	s.Input = Input{Premises: p, Now: at("12:00"), Standing: actions.NewStanding(), Windows: []actions.Window{win("a", "on", "13:00", "14:30")}}
	e := newExecutor(s)
	e.run(p, Make(s.Input).Steps, at("13:04"))
	s.Now, s.Standing = at("13:04"), e.standing
	s.Windows = append(slices.Clone(s.Windows), win("b", "two", "13:05", "14:30"), win("c", "one", "13:10", "14:30"))
	sameLines(t, "steps", stepLines(Make(s.Input)), "13:40:00 pump.run=off", "13:40:01 kiln.run=on", "14:30:00 kiln.run=off")
}

// A share that is to rise as the plan is made, and waits for another's drop, goes on as it is until then.
func TestARiseThatWaitsStopsNothing(t *testing.T) {
	p := procedures(outlet(3, 1, loadOf("pump", 2, 0), batteryOf("shed", 3, 10)), proc{name: "q", during: []string{"pump.run = on for 30m", "shed.power = auto"}})
	s := scene{truth: map[actions.Ref]actions.Value{ref("pump.run"): actions.Named("off"), ref("shed.power"): actions.Number(0)}}
	s.Input = Input{Premises: p, Now: at("12:00"), Standing: actions.NewStanding(), Windows: []actions.Window{win("a", "q", "13:00", "14:30")}}
	first := Make(s.Input)
	e := newExecutor(s)
	e.run(p, first.Steps, at("13:29"))
	s.Now, s.Standing, s.Current = at("13:30"), e.standing, nil
	sameLines(t, "steps", stepLines(Make(s.Input)), "13:30:00 pump.run=off", "13:30:01 shed.power=3000", "14:30:00 shed.power=0")
}

// A rest that cannot be whole before the point goes back to a normal that draws is cut, and what others take is shared all
// the same.
func TestARestThatTheNormalCutsLeavesTheOthersTheirShare(t *testing.T) {
	p := pump(proc{name: "off", during: []string{"pump.run = off"}}, proc{name: "share", during: []string{"pump.run = auto", "shed.power = auto"}})
	p.Point(ref("pump.run")).Normal = actions.Named("on")
	p.Device("pump").MinOff = 30 * time.Minute
	plan := planOf(p, "12:00", []actions.Window{win("a", "off", "13:00", "13:10"), win("b", "share", "13:10", "13:20")})
	sameLines(t, "steps", stepLines(plan), "13:00:00 pump.run=off", "13:10:00 shed.power=3000", "13:20:00 shed.power=0", "13:20:01 pump.run=on")

	// Running and with no room for it, it stops at once.
	p.Device("pump").MinOn = 0
	p.Supply.LimitW = 1500
	plan = planOf(p, "12:00", []actions.Window{win("b", "share", "13:10", "13:20")}, "pump.run=on")
	sameLines(t, "steps", stepLines(plan), "13:10:00 pump.run=off", "13:10:00 shed.power=1500", "13:20:00 shed.power=0", "13:20:01 pump.run=on")
}
