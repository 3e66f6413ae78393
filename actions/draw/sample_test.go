package draw_test

import (
	"testing"
	"time"

	"spillway/actions"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// at returns the instant of a time of day in London on Saturday 2 May 2026.
func at(hour, minute, second int) time.Time {
	return time.Date(2026, 5, 2, hour-1, minute, second, 0, time.UTC)
}

func ref(s string) actions.Ref {
	r, err := actions.ParseRef(s)
	if err != nil {
		panic(err)
	}
	return r
}

func premises(t testing.TB) *actions.Premises {
	return &actions.Premises{
		Zone:   zone(t, "Europe/London"),
		Supply: actions.Supply{LimitW: 13800, VoltageV: 230, Phases: 1},
		Devices: []actions.Device{
			{Name: "barn_battery", Kind: actions.Battery, Points: []actions.Point{{Ref: ref("barn_battery.charge_power"), Unit: "W"}, {Ref: ref("barn_battery.mode")}}},
			{Name: "cylinder", Kind: actions.Tank, Points: []actions.Point{{Ref: ref("cylinder.boost")}}},
			{Name: "house_battery", Kind: actions.Battery, Points: []actions.Point{{Ref: ref("house_battery.mode")}}},
			{Name: "van", Kind: actions.Vehicle, Points: []actions.Point{{Ref: ref("van.current"), Unit: "A"}}},
		},
	}
}

type stepOf struct {
	at         time.Time
	phase      actions.Phase
	point      string
	from, to   actions.Value
	release    bool
	why        string
	windowName string
}

func planOf(now time.Time, windows []actions.PlannedWindow, steps []stepOf) *actions.Plan {
	p := &actions.Plan{At: now, Windows: windows}
	for i, s := range steps {
		w := s.windowName
		if w == "" {
			w = windows[0].ID
		}
		p.Steps = append(p.Steps, actions.Step{
			ID: "s" + string(rune('a'+i)), Window: w, Phase: s.phase, At: s.at, Link: "barn", Point: ref(s.point),
			From: s.from, Value: s.to, Release: s.release, Why: s.why,
		})
	}
	return p
}

func slice(from, to time.Time, device string, phase int, kw float64) actions.Slice {
	return actions.Slice{From: from, To: to, Device: device, Phase: phase, KW: kw}
}

// surplus is a free hour with a battery, a cylinder and a van that shares what the others leave.
func surplus() *actions.Plan {
	w := actions.PlannedWindow{
		Window: actions.Window{ID: "w1", UID: "one@calendar.example", Procedure: "surplus", Title: "Free power", Start: at(13, 0, 0), End: at(14, 0, 0)},
		State:  actions.Far, LeadIn: at(12, 50, 0), Done: at(14, 1, 0), PeakKW: 12.6, LimitKW: 13.8,
		Energy: []actions.Energy{{Device: "barn_battery", KWh: 4.96}, {Device: "cylinder", KWh: 0.46}, {Device: "van", KWh: 5.1}},
	}
	p := planOf(at(12, 0, 0), []actions.PlannedWindow{w}, []stepOf{
		{at: at(12, 50, 0), phase: actions.PhaseLeadIn, point: "cylinder.boost", from: actions.Named("off"), to: actions.Named("off"), why: "off from -10m"},
		{at: at(12, 58, 45), phase: actions.PhaseLeadIn, point: "barn_battery.charge_power", from: actions.Number(3000), to: actions.Number(5000), why: "5000 W"},
		{at: at(13, 0, 0), phase: actions.PhaseDuring, point: "barn_battery.mode", from: actions.Named("own_use"), to: actions.Named("charge")},
		{at: at(13, 0, 0), phase: actions.PhaseDuring, point: "cylinder.boost", from: actions.Named("off"), to: actions.Named("on"), why: "on for 25m"},
		{at: at(13, 0, 15), phase: actions.PhaseDuring, point: "van.current", from: actions.Number(0), to: actions.Number(20), why: "auto: what the others leave"},
		{at: at(13, 25, 0), phase: actions.PhaseRestore, point: "cylinder.boost", from: actions.Named("on"), to: actions.Named("off"), release: true, why: "for 25m is over"},
		{at: at(13, 25, 15), phase: actions.PhaseDuring, point: "van.current", from: actions.Number(20), to: actions.Number(24), why: "auto: the cylinder is done"},
		{at: at(14, 0, 0), phase: actions.PhaseRestore, point: "van.current", from: actions.Number(24), to: actions.Number(0), release: true, why: "the window ends"},
		{at: at(14, 0, 15), phase: actions.PhaseRestore, point: "barn_battery.mode", from: actions.Named("charge"), to: actions.Named("own_use"), release: true, why: "the window ends"},
		{at: at(14, 0, 30), phase: actions.PhaseRestore, point: "barn_battery.charge_power", from: actions.Number(5000), to: actions.Number(3000), release: true, why: "the window ends"},
	})
	p.Profile = []actions.Slice{
		slice(at(13, 0, 0), at(14, 0, 15), "", 1, 0.8),
		slice(at(13, 0, 0), at(13, 25, 0), "cylinder", 1, 1.1),
		slice(at(13, 0, 0), at(14, 0, 15), "barn_battery", 1, 5),
		slice(at(13, 0, 15), at(13, 25, 15), "van", 1, 4.6),
		slice(at(13, 25, 15), at(14, 0, 0), "van", 1, 5.52),
	}
	return p
}

// underway is the same hour at 13:10, with one step that failed.
func underway() (*actions.Plan, []actions.StepStanding) {
	p := surplus()
	p.At = at(13, 10, 0)
	p.Windows[0].State = actions.Active
	p.Windows[0].Problems = []string{"cylinder.boost did not turn on after 3 tries: <no answer> & nothing read back"}
	var log []actions.StepStanding
	for _, s := range p.Steps[:5] {
		l := actions.StepStanding{Step: s, State: actions.Confirmed, Tries: 1, Sent: s.At, Settled: s.At.Add(2 * time.Second), ReadBack: s.Value}
		if s.Point == ref("cylinder.boost") && s.Value == actions.Named("on") {
			l.State = actions.Failed
		}
		log = append(log, l)
	}
	p.Steps = p.Steps[5:]
	return p, log
}

// evening is a turn-down hour on three phases with a battery that gives back, an outage warning that overlaps it, and a
// window on another day.
func evening() *actions.Plan {
	windows := []actions.PlannedWindow{
		{Window: actions.Window{ID: "w1", Procedure: "turn_down", Title: "Use less, please: a title that somebody made much longer than anyone could want it to be on a small screen", Start: at(17, 0, 0), End: at(18, 30, 0)},
			LeadIn: at(15, 30, 0), Done: at(18, 31, 0), PeakKW: 3.1, LimitKW: 9, Energy: []actions.Energy{{Device: "house_battery", KWh: -4.5}}},
		{Window: actions.Window{ID: "w2", Procedure: "outage", Title: "停電の予告 <b>&amp;</b>", Start: at(18, 0, 0), End: at(19, 0, 0)},
			LeadIn: at(18, 0, 0), Done: at(19, 0, 30), PeakKW: 3.1, LimitKW: 9, Problems: []string{"house_battery: a higher rank holds mode until 18:30"}},
		{Window: actions.Window{ID: "w3", Procedure: "night_rate", Title: "Night rate", Start: at(24+0, 30, 0), End: at(24+4, 30, 0)},
			LeadIn: at(24+0, 28, 0), Done: at(24+4, 31, 0), PeakKW: 4, LimitKW: 9},
	}
	p := planOf(at(15, 0, 0), windows, []stepOf{
		{at: at(15, 30, 0), phase: actions.PhaseLeadIn, point: "cylinder.boost", to: actions.Named("on"), why: "on from -90m"},
		{at: at(17, 0, 0), phase: actions.PhaseDuring, point: "house_battery.mode", from: actions.Named("own_use"), to: actions.Named("give_back")},
		{at: at(17, 0, 0), phase: actions.PhaseDuring, point: "cylinder.boost", from: actions.Named("on"), to: actions.Named("off")},
		{at: at(18, 30, 0), phase: actions.PhaseRestore, point: "house_battery.mode", from: actions.Named("give_back"), to: actions.Named("charge")},
		{at: at(18, 30, 15), phase: actions.PhaseRestore, point: "cylinder.boost", from: actions.Named("off"), release: true},
		{at: at(19, 0, 0), phase: actions.PhaseRestore, point: "house_battery.mode", from: actions.Named("charge"), to: actions.Named("own_use"), release: true, windowName: "w2"},
		{at: at(24+0, 30, 0), phase: actions.PhaseDuring, point: "barn_battery.mode", from: actions.Named("own_use"), to: actions.Named("charge"), windowName: "w3"},
		{at: at(24+4, 30, 0), phase: actions.PhaseRestore, point: "barn_battery.mode", from: actions.Named("charge"), to: actions.Named("own_use"), release: true, windowName: "w3"},
	})
	for phase := 1; phase <= 3; phase++ {
		kw := []float64{0.4, 0.4, 0.4}[phase-1]
		p.Profile = append(p.Profile, slice(at(17, 0, 0), at(19, 0, 0), "", phase, kw), slice(at(24, 30, 0), at(28, 30, 0), "", phase, kw),
			slice(at(24, 30, 0), at(28, 0, 0), "barn_battery", phase, 1.2))
	}
	p.Profile = append(p.Profile,
		slice(at(15, 30, 0), at(17, 0, 0), "cylinder", 2, 1.1),
		slice(at(17, 0, 0), at(18, 30, 0), "house_battery", 1, -3),
		slice(at(18, 30, 0), at(19, 0, 0), "house_battery", 1, 2.7),
	)
	return p
}
