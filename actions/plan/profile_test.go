package plan

import (
	"fmt"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"spillway/actions"
)

func planOf(p *actions.Premises, now string, windows []actions.Window, reads ...string) *actions.Plan {
	return Make(Input{Premises: p, Windows: windows, Now: at(now), Readings: readings(p, at(now), reads...), Standing: actions.NewStanding()})
}

func kwh(t *testing.T, p *actions.Plan, window, device string, want float64) {
	t.Helper()
	for _, e := range p.Window(window).Energy {
		if e.Device == device {
			if math.Abs(e.KWh-want) > 0.001 {
				t.Errorf("%s takes %v kWh in %s, want %v", device, e.KWh, window, want)
			}
			return
		}
	}
	t.Errorf("%s is not among the energies of %s: %v", device, window, p.Window(window).Energy)
}

func slices0(p *actions.Plan, device string) (out []string) {
	for _, s := range p.Profile {
		if s.Device == device {
			out = append(out, fmt.Sprintf("%s-%s %d %.3f", s.From.Format("15:04:05"), s.To.Format("15:04:05"), s.Phase, s.KW))
		}
	}
	return out
}

func sameLines(t *testing.T, what string, got []string, want ...string) {
	t.Helper()
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("%s: got %q, want %q", what, got, want)
	}
}

// 13.5 kWh, 90 to 100 %, efficiency 0.95: 1.421053 kWh, 17 min 3.158 s at 5 kW (worked by hand).
func TestBatteryDrawsUntilItIsFull(t *testing.T) {
	p := procedures(smallholding(), proc{name: "x", during: []string{"barn_battery.charge_power = 5000 W"}})
	windows := []actions.Window{win("a", "x", "13:00", "14:00"), win("b", "x", "15:00", "16:00")}
	plan := planOf(p, "12:00", windows, "barn_battery.charge_level=90")
	kwh(t, plan, "a", "barn_battery", 1.421053)
	kwh(t, plan, "b", "barn_battery", 0)
	sameLines(t, "slices", slices0(plan, "barn_battery"), "13:00:00-13:17:03 1 5.000")

	plan = planOf(p, "12:00", windows, "barn_battery.charge_level=50")
	kwh(t, plan, "a", "barn_battery", 5)
	kwh(t, plan, "b", "barn_battery", 13.5*0.5/0.95-5)
}

// 210 L by 10 K at COP 2.6: 210 x 1.163 x 10 / 2.6 = 939.35 Wh (by hand).
func TestTankDrawsUntilItsTarget(t *testing.T) {
	p := procedures(smallholding(), proc{name: "x", during: []string{"cylinder.boost = on"}})
	plan := planOf(p, "12:00", []actions.Window{win("a", "x", "13:00", "14:00")}, "cylinder.temperature=45")
	kwh(t, plan, "a", "cylinder", 0.939346)
	plan = planOf(p, "12:00", []actions.Window{win("a", "x", "13:00", "14:00")}, "cylinder.temperature=60")
	kwh(t, plan, "a", "cylinder", 0)
}

// A battery or vehicle draws from the window's start only; a load draws in its lead-in too.
func TestDrawsInTheLeadIn(t *testing.T) {
	p := procedures(smallholding(), proc{name: "x", leadIn: []string{"barn_battery.charge_power = 5000 W from -1h", "ice_bank.run = on from -1h"}})
	plan := planOf(p, "11:00", []actions.Window{win("a", "x", "13:00", "14:00")})
	sameLines(t, "battery", slices0(plan, "barn_battery"), "13:00:00-14:00:00 1 5.000")
	sameLines(t, "load", slices0(plan, "ice_bank"), "12:00:15-14:00:00 1 2.200")
	kwh(t, plan, "a", "ice_bank", 2.2)
}

func TestThreePhases(t *testing.T) {
	p := procedures(smallholding(), proc{name: "x", during: []string{"van.current = 16 A", "ice_bank.run = on"}})
	p.Supply.Phases, p.Supply.LimitW, p.Supply.OtherLoadsW = 3, 5750, 1500
	p.Device("ice_bank").Phase = 2
	plan := planOf(p, "12:00", []actions.Window{win("a", "x", "13:00", "14:00")})
	sameLines(t, "van", slices0(plan, "van"), "13:00:00-14:00:00 1 3.680", "13:00:00-14:00:00 2 3.680", "13:00:00-14:00:00 3 3.680")
	sameLines(t, "load", slices0(plan, "ice_bank"), "13:00:00-14:00:00 2 2.200")
	sameLines(t, "others", slices0(plan, ""), "13:00:00-14:00:00 1 0.500", "13:00:00-14:00:00 2 0.500", "13:00:00-14:00:00 3 0.500")
	w := plan.Window("a")
	if w.PeakKW != 6.38 || w.LimitKW != 5.75 {
		t.Errorf("peak %v, limit %v", w.PeakKW, w.LimitKW)
	}
	mustContain(t, problems(plan, "a"), "up to 6.38 kW on phase 2 is drawn from 13:00 to 14:00, 0.63 kW over the limit of 5.75 kW")
}

func TestOverTheLimit(t *testing.T) {
	p := procedures(smallholding(), proc{name: "x", during: []string{"van.current = 32 A", "barn_battery.charge_power = 5000 W for 20m", "ice_bank.run = on"}})
	plan := planOf(p, "12:00", []actions.Window{win("a", "x", "13:00", "14:00")}, "barn_battery.charge_level=10")
	mustContain(t, problems(plan, "a"), "up to 15.36 kW is drawn from 13:00:15 to 13:20, 1.56 kW over the limit of 13.8 kW")

	p.Supply.LimitW = 700
	plan = planOf(p, "12:00", []actions.Window{win("a", "x", "13:00", "14:00")})
	mustContain(t, problems(plan, "a"), "the other loads alone draw 0.8 kW, over the limit of 0.7 kW")
}

// Where other_loads reads the whole import, what our devices draw already is taken off it; an export is no import.
func TestOtherLoadsAreRead(t *testing.T) {
	p := procedures(smallholding(), proc{name: "x", during: []string{"ice_bank.run = on"}})
	p.Devices = append(p.Devices, device(actions.Device{Name: "zz_meter", Link: "yard", Kind: actions.Load}, pt{name: "import", unit: "kW", readOnly: true}))
	meter := ref("zz_meter.import")
	p.Supply.OtherLoads = &meter
	s := begin(p, "12:00", []actions.Window{win("a", "x", "13:00", "14:00")}, "zz_meter.import=1.5")
	sameLines(t, "before", slices0(s.plan(), ""), "13:00:00-14:00:00 1 1.500")
	s.until("13:10").read("zz_meter.import=3.9")
	sameLines(t, "while drawing 2.2", slices0(s.plan(), ""), "13:10:00-14:00:00 1 1.700")
	s.read("zz_meter.import=-1")
	sameLines(t, "while exporting", slices0(s.plan(), ""), "13:10:00-14:00:00 1 0.000")

	unread := planOf(p, "12:00", []actions.Window{win("a", "x", "13:00", "14:00")})
	mustContain(t, problems(unread, "a"), "zz_meter.import is not known, so the other loads count as nothing")
}

// Discharge is negative, and ends at the floor: 13.5 kWh, 40 to 10 %, 0.95: 3.8475 kWh (by hand).
func TestDischarge(t *testing.T) {
	p := smallholding()
	d := p.Device("barn_battery")
	d.Point("mode").Draws = actions.Draws{ByName: map[string]float64{"idle": 0, "own_use": -4000}}
	procedures(p, proc{name: "x", direction: actions.TurnDown, during: []string{"barn_battery.mode = own_use"}})
	plan := planOf(p, "12:00", []actions.Window{win("a", "x", "13:00", "14:00")}, "barn_battery.charge_level=40")
	kwh(t, plan, "a", "barn_battery", -3.8475)
	if peak := plan.Window("a").PeakKW; peak != 0.8 {
		t.Errorf("peak %v: the battery is at its floor before the end", peak)
	}
}

func TestLeftOutOfTheSums(t *testing.T) {
	p := smallholding()
	p.Device("ice_bank").PowerW = 0
	procedures(p, proc{name: "x", during: []string{"ice_bank.run = on"}})
	plan := planOf(p, "12:00", []actions.Window{win("a", "x", "13:00", "14:00")})
	mustContain(t, problems(plan, "a"), "ice_bank is left out of the sums: nothing says what it draws")
}

// A point whose value ends by itself draws no longer than that.
func TestLastsBoundsTheDraw(t *testing.T) {
	p := smallholding()
	p.Device("ice_bank").Point("run").Lasts = 20 * time.Minute
	procedures(p, proc{name: "x", during: []string{"ice_bank.run = on"}})
	plan := planOf(p, "12:00", []actions.Window{win("a", "x", "13:00", "14:00")})
	sameLines(t, "slices", slices0(plan, "ice_bank"), "13:00:00-13:20:00 1 2.200")
}

// The slices of a device on a phase never overlap, the others are there in every window, and the energies and the peak
// are what the slices say.
func TestProfileAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawScene(t, sceneOptions{ranks: 3})
		p := Make(s.Input)
		type key struct {
			device string
			phase  int
		}
		end := map[key]time.Time{}
		for _, x := range p.Profile {
			k := key{x.Device, x.Phase}
			if x.From.Before(end[k]) || !x.From.Before(x.To) {
				t.Fatalf("%v overlaps or is empty\n%s", x, dump(p))
			}
			end[k] = x.To
		}
		for _, w := range p.Windows {
			wh := map[string]float64{}
			for _, x := range p.Profile {
				from, to := actions.Later(x.From, w.Start), actions.Earlier(x.To, w.End)
				if from.Before(to) {
					wh[x.Device] += x.KW * to.Sub(from).Hours()
				}
			}
			for _, e := range w.Energy {
				if math.Abs(e.KWh-wh[e.Device]) > 1e-4 {
					t.Fatalf("%s takes %v in %s, its slices say %v\n%s", e.Device, e.KWh, w.ID, wh[e.Device], dump(p))
				}
				delete(wh, e.Device)
			}
			if math.Abs(wh[""]-0.8*w.End.Sub(w.Start).Hours()) > 1e-4 {
				t.Fatalf("other loads of %s: %v kWh\n%s", w.ID, wh[""], dump(p))
			}
			delete(wh, "")
			if len(wh) > 0 {
				t.Fatalf("drawn in %s, and not among its energies: %v\n%s", w.ID, wh, dump(p))
			}
			if peak := slowPeak(p, w); math.Abs(peak-w.PeakKW) > 1e-4 {
				t.Fatalf("peak of %s: %v, its slices say %v\n%s", w.ID, w.PeakKW, peak, dump(p))
			}
		}
	})
}

// slowPeak adds up the slices at every instant at which one begins.
func slowPeak(p *actions.Plan, w actions.PlannedWindow) (peak float64) {
	for _, x := range p.Profile {
		at := actions.Later(x.From, w.Start)
		var sum [4]float64
		for _, y := range p.Profile {
			if !y.From.After(at) && y.To.After(at) && at.Before(w.End) {
				sum[y.Phase] += y.KW
			}
		}
		peak = max(peak, sum[1], sum[2], sum[3])
	}
	return peak
}
