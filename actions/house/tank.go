package house

import (
	"math"
	"time"
)

// What the cylinder's own programme may do.
const (
	Programme Mode = "programme" // its thermostat heats when it must
	Standby   Mode = "standby"   // only a boost heats
)

// whPerLitreKelvin is what warms a litre of water by a kelvin: 4.186 kJ/(kg K) at 1 kg/L, in Wh.
const whPerLitreKelvin = 4186.0 / 3600

// A Tank is a hot-water cylinder with a thermostat.
type Tank struct {
	VolumeL float64
	PowerW  float64 // electrical
	COP     float64
	TargetC float64 // heated no further
	BandK   float64 // the thermostat calls this far below the target
	LossW   float64 // standing loss

	Heating Mode
	Boost   bool // heats to the target, whatever Heating says

	TempC float64
	UseW  float64 // heat drawn off at the taps

	calling bool // the thermostat's contact
}

// a thousandth of a kelvin of rounding counts as there.
const tankSlackK = 1e-6

// Draw returns the heat source's power while it runs.
func (t *Tank) Draw(float64) float64 {
	switch {
	case t.TempC >= t.TargetC-tankSlackK:
		t.calling = false
	case t.TempC <= t.TargetC-t.band()+tankSlackK:
		t.calling = true
	}
	if t.calling && (t.Boost || t.Heating == Programme) {
		return t.PowerW
	}
	return 0
}

// Lasts returns the time until the thermostat's contact moves.
func (t *Tank) Lasts(w float64) time.Duration {
	rate := t.rate(w)
	if w > 0 {
		return hours(t.TargetC-t.TempC, rate)
	}
	if call := t.TargetC - t.band(); t.TempC > call {
		return hours(t.TempC-call, -rate)
	}
	return forever
}

// Take warms the water by the heat source and cools it by the loss and the taps.
func (t *Tank) Take(w float64, d time.Duration) {
	t.TempC = math.Max(coldC, t.TempC+t.rate(w)*d.Hours())
}

// coldC is the cold feed: no store falls below it.
const coldC = 10

// rate returns kelvin an hour.
func (t *Tank) rate(w float64) float64 {
	return (w*t.COP - t.LossW - t.UseW) / (t.VolumeL * whPerLitreKelvin)
}

// band is narrow during a boost: a boost calls as soon as it is asked, and holds the target.
func (t *Tank) band() float64 {
	if t.Boost {
		return math.Min(0.5, t.BandK)
	}
	return t.BandK
}
