package house

import "time"

// An IceBank stores cold for the cold store by freezing water. Its capacity is the heat that melts all of its ice.
type IceBank struct {
	CapacityWh float64 // thermal
	PowerW     float64 // of the compressor, electrical
	COP        float64
	MeltW      float64 // what the cold store takes out, thermal
	Low, High  float64 // percent of ice that the thermostat keeps between in Own

	Mode   Mode
	ColdWh float64

	running bool
}

// meltWhPerKg is the latent heat of melting of ice, 333.55 kJ/kg (from memory), in Wh.
const meltWhPerKg = 333550.0 / 3600

// Level returns the ice in percent.
func (i *IceBank) Level() float64 { return i.ColdWh / i.CapacityWh * 100 }

// Draw returns the compressor's power while it runs.
func (i *IceBank) Draw(float64) float64 {
	low, high := i.band()
	switch {
	case i.Mode == Rest, i.Level() >= high-iceSlack:
		i.running = false
	case i.Level() <= low+iceSlack:
		i.running = true
	}
	if i.running {
		return i.PowerW
	}
	return 0
}

// hundred-thousandths of a percent of rounding count as there.
const iceSlack = 1e-5

// Lasts returns the time until its thermostat switches.
func (i *IceBank) Lasts(w float64) time.Duration {
	low, high := i.band()
	rate := i.rate(w) / i.CapacityWh * 100
	if w > 0 {
		return hours(high-i.Level(), rate)
	}
	if i.Mode != Rest && i.Level() > low {
		return hours(i.Level()-low, -rate)
	}
	return forever
}

// Take freezes and melts.
func (i *IceBank) Take(w float64, d time.Duration) {
	i.ColdWh = between(0, i.ColdWh+i.rate(w)*d.Hours(), i.CapacityWh)
}

func (i *IceBank) rate(w float64) float64 { return w*i.COP - i.MeltW }

// band is where the compressor starts and stops. A freeze starts at once and keeps the bank all but full.
func (i *IceBank) band() (low, high float64) {
	if i.Mode == Freeze {
		return 97, 100
	}
	return i.Low, i.High
}

// A Household is everything else on the premises: what it draws is a figure of the time of day and the seed alone.
type Household struct {
	Seed uint64
	W    float64 // now
}

// OtherLoadsW is what the household never passes: it cooks and bakes on a wood-fired range.
const OtherLoadsW = 800

// byHour is the shape of an invented household's day in W, local time.
var byHour = [24]float64{
	190, 175, 170, 170, 175, 190, 260, 380, 420, 360, 330, 340,
	380, 350, 320, 330, 380, 470, 560, 540, 500, 430, 330, 240,
}

// At returns what the household draws in the minute of local.
func (h *Household) At(local time.Time) float64 {
	minute := uint64(local.Unix() / 60)
	w := byHour[local.Hour()] * (0.9 + 0.2*fraction(h.Seed, minute))
	// Now and then a pump or a fan runs for half an hour, by day more often.
	often := 0.1
	if local.Hour() >= 6 && local.Hour() < 22 {
		often = 0.3
	}
	if fraction(h.Seed+1, minute/30) < often {
		w += 150
	}
	return w
}

// Draw returns W.
func (h *Household) Draw(float64) float64 { return h.W }

// Lasts returns forever: the minute changes it.
func (h *Household) Lasts(float64) time.Duration { return forever }

// Take changes nothing.
func (h *Household) Take(float64, time.Duration) {}

// fraction returns a number in [0, 1) that depends on seed and n alone (the finalizer of SplitMix64, from memory).
func fraction(seed, n uint64) float64 {
	x := seed*0x9E3779B97F4A7C15 + n + 1
	x = (x ^ x>>30) * 0xBF58476D1CE4E5B9
	x = (x ^ x>>27) * 0x94D049BB133111EB
	x ^= x >> 31
	return float64(x>>11) / (1 << 53)
}

// tapsW returns the heat drawn off as hot water at local: baths in the evening, washing in the morning.
func tapsW(local time.Time) float64 {
	switch h := local.Hour(); {
	case h == 7, h == 20:
		return 1500
	case h >= 8 && h < 23:
		return 60
	}
	return 0
}
