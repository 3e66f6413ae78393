package house

import (
	"fmt"
	"math"
	"testing"
	"time"
)

// runPart moves a part on, change by change, until it draws nothing or the time is up, and returns time and energy.
func runPart(t *testing.T, p part, rest float64, limit time.Duration) (time.Duration, float64) {
	t.Helper()
	var passed time.Duration
	wh := 0.0
	for steps := 0; passed < limit; steps++ {
		if steps > 1e5 {
			t.Fatal("the part never comes to an end")
		}
		w := p.Draw(rest)
		if w == 0 {
			break
		}
		d := min(p.Lasts(w), limit-passed)
		p.Take(w, d)
		passed += d
		wh += w * d.Hours()
	}
	return passed, wh
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %v, want %v within %v", what, got, want, tolerance)
	}
}

// Energy to fill is C x (level1 - level0) / efficiency, energy given C x (level0 - level1) x efficiency: textbook.
func TestBatteryFillsAndEmptiesByTheTextbook(t *testing.T) {
	b := Battery{CapacityWh: 10000, PowerW: 5000, Efficiency: 0.95, ChargePowerW: 5000, ChargeLimit: 90, Mode: Charge, StoredWh: 4000}
	took, wh := runPart(t, &b, 0, 10*time.Hour)
	near(t, "energy in", wh, 10000*0.5/0.95, 0.01)
	near(t, "minutes", took.Minutes(), 10000*0.5/0.95/5000*60, 0.001)
	near(t, "level", b.Level(), 90, 0.001)

	b.Mode, b.Floor, b.PowerW = OwnUse, 40, 2500
	took, wh = runPart(t, &b, 9000, 10*time.Hour)
	near(t, "energy out", -wh, 10000*0.5*0.95, 0.01)
	near(t, "minutes", took.Minutes(), 114, 0.001) // 4.75 kWh at 2.5 kW
	near(t, "level", b.Level(), 40, 0.001)
}

func TestBatteryInOwnUseGivesOnlyWhatIsDrawn(t *testing.T) {
	b := Battery{CapacityWh: 10000, PowerW: 5000, Efficiency: 0.95, Mode: OwnUse, StoredWh: 9000}
	for rest, want := range map[float64]float64{0: 0, 800: -800, 7000: -5000, -100: 0} {
		if got := b.Draw(rest); got != want {
			t.Errorf("with %v W drawn it draws %v W, want %v", rest, got, want)
		}
	}
	b.Mode = Idle
	if got := b.Draw(800); got != 0 {
		t.Errorf("idle it draws %v W", got)
	}
}

// Minutes to heat a cylinder from 10 to 50 °C, as published at energy-stats.uk/hot-water-cylinder-sizing-and-mixing;
// the page rounds to minutes, so 3 % or half a minute.
func TestTankHeatsAsPublished(t *testing.T) {
	powers := []float64{3, 5, 7, 10}
	for volume, minutes := range map[float64][]float64{
		50: {47, 28, 20, 14}, 100: {94, 56, 40, 28}, 150: {140, 84, 60, 42},
		200: {187, 112, 80, 56}, 250: {233, 140, 100, 70}, 300: {280, 168, 120, 84},
	} {
		for i, kw := range powers {
			tank := Tank{VolumeL: volume, PowerW: kw * 1000, COP: 1, TargetC: 50, BandK: 5, Heating: Programme, TempC: 10}
			took, _ := runPart(t, &tank, 0, 24*time.Hour)
			near(t, fmt.Sprintf("%v L at %v kW", volume, kw), took.Minutes(), minutes[i], math.Max(0.5, 0.03*minutes[i]))
		}
	}
}

// Q = V x rho x c x dT with rho 1 kg/L and c 4.186 kJ/(kg K), over the COP: textbook.
func TestTankOnAHeatPumpDividesByItsCOP(t *testing.T) {
	for _, c := range []struct{ volume, from, to, cop float64 }{{200, 20, 50, 3}, {200, 20, 50, 2.5}, {210, 40, 55, 2.6}} {
		tank := Tank{VolumeL: c.volume, PowerW: 1100, COP: c.cop, TargetC: c.to, BandK: 5, Boost: true, Heating: Standby, TempC: c.from}
		_, wh := runPart(t, &tank, 0, 24*time.Hour)
		near(t, "electrical energy", wh, c.volume*4186*(c.to-c.from)/3600/c.cop, 0.01)
	}
}

func TestTankThermostat(t *testing.T) {
	tank := Tank{VolumeL: 210, PowerW: 1100, COP: 2.6, TargetC: 55, BandK: 5, Heating: Programme, TempC: 52}
	if w := tank.Draw(0); w != 0 {
		t.Errorf("inside its band it draws %v W", w)
	}
	tank.TempC = 50
	if w := tank.Draw(0); w != 1100 {
		t.Errorf("at the bottom of its band it draws %v W", w)
	}
	tank.TempC = 52
	if w := tank.Draw(0); w != 1100 {
		t.Errorf("on its way up it draws %v W", w)
	}
	tank.Heating = Standby
	if w := tank.Draw(0); w != 0 {
		t.Errorf("in standby it draws %v W", w)
	}
	tank.Boost = true
	if w := tank.Draw(0); w != 1100 {
		t.Errorf("in a boost it draws %v W", w)
	}
	tank.TempC = 55
	if w := tank.Draw(0); w != 0 {
		t.Errorf("at its target a boost draws %v W", w)
	}
}

// IEC 61851-1: nothing between 0 and 6 A. Power is current times voltage at unity power factor.
func TestVehicleCurrents(t *testing.T) {
	for a, fine := range map[float64]bool{0: true, 1: false, 5: false, 5.9: false, 6: true, 16: true, 16.5: false, 32: true, 33: false, -6: false} {
		if err := checkCurrent(a); (err == nil) != fine {
			t.Errorf("%v A: %v", a, err)
		}
	}
	v := Vehicle{VoltageV: 230, Control: Remote, CurrentA: 16, Plugged: true, NeedWh: 3680}
	took, wh := runPart(t, &v, 0, 10*time.Hour)
	near(t, "hours at 16 A", took.Hours(), 1, 1e-6)
	near(t, "energy", wh, 3680, 0.01)
	v.NeedWh, v.Plugged = 5000, false
	if w := v.Draw(0); w != 0 {
		t.Errorf("unplugged it draws %v W", w)
	}
	v.Plugged, v.Control = true, Local
	if w := v.Draw(0); w != 0 {
		t.Errorf("in local control, its timer off, it draws %v W", w)
	}
}

// 200 kg of ice, at 333.55 kJ/kg (from memory).
func TestIceBankFreezes(t *testing.T) {
	ice := IceBank{CapacityWh: 200 * meltWhPerKg, PowerW: 2200, COP: 2.5, Low: 55, High: 70, Mode: Freeze}
	took, _ := runPart(t, &ice, 0, 48*time.Hour)
	near(t, "hours to freeze it through", took.Hours(), 200*333.55/3600/(2.2*2.5), 1e-6)

	ice.Mode, ice.ColdWh = Own, ice.CapacityWh*0.6
	if w := ice.Draw(0); w != 0 {
		t.Errorf("between its marks it draws %v W", w)
	}
	ice.ColdWh = ice.CapacityWh * 0.55
	if w := ice.Draw(0); w != 2200 {
		t.Errorf("at its low mark it draws %v W", w)
	}
	ice.Mode = Rest
	if w := ice.Draw(0); w != 0 {
		t.Errorf("at rest it draws %v W", w)
	}
}

func TestHouseholdStaysWithinItsAllowance(t *testing.T) {
	zone := mustZone(t)
	for seed := range uint64(5) {
		h := Household{Seed: seed}
		for minute := range 14 * 24 * 60 {
			w := h.At(storyStart(t).In(zone).Add(time.Duration(minute) * time.Minute))
			if w <= 0 || w > OtherLoadsW {
				t.Fatalf("seed %d draws %v W at minute %d", seed, w, minute)
			}
		}
	}
}
