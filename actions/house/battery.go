package house

import (
	"math"
	"time"
)

// A Mode is what a battery or an ice bank is told to do.
type Mode string

// The modes. A battery in OwnUse covers what the premises draw and gives nothing to the grid; an ice bank in Own keeps
// its ice by its own thermostat.
const (
	OwnUse Mode = "own_use"
	Charge Mode = "charge"
	Idle   Mode = "idle"

	Own    Mode = "own"
	Freeze Mode = "freeze"
	Rest   Mode = "rest"
)

// A Battery takes energy from the supply and gives it back, with a loss each way.
type Battery struct {
	CapacityWh float64
	PowerW     float64 // most it can draw and give
	Efficiency float64 // one way
	Floor      float64 // percent; not discharged below

	Mode         Mode
	ChargePowerW float64 // drawn in Charge
	ChargeLimit  float64 // percent; charged no further

	StoredWh float64
}

// a milliwatt-hour or so of rounding counts as full, or empty.
const batterySlackWh = 2e-3

// Level returns the state of charge in percent.
func (b *Battery) Level() float64 { return b.StoredWh / b.CapacityWh * 100 }

// Draw follows the mode; see [Battery].
func (b *Battery) Draw(rest float64) float64 {
	switch {
	case b.Mode == Charge && b.room() > batterySlackWh:
		return math.Min(b.ChargePowerW, b.PowerW)
	case b.Mode == OwnUse && b.spare() > batterySlackWh:
		return -between(0, rest, b.PowerW)
	}
	return 0
}

// Lasts returns the time to the charge limit or to the floor.
func (b *Battery) Lasts(w float64) time.Duration {
	switch {
	case w > 0:
		return hours(b.room(), w*b.Efficiency)
	case w < 0:
		return hours(b.spare(), -w/b.Efficiency)
	}
	return forever
}

// Take charges or discharges at the supply's w.
func (b *Battery) Take(w float64, d time.Duration) {
	wh := w * d.Hours()
	if w > 0 {
		wh *= b.Efficiency
	} else {
		wh /= b.Efficiency
	}
	b.StoredWh = between(0, b.StoredWh+wh, b.CapacityWh)
}

func (b *Battery) room() float64  { return b.CapacityWh*b.ChargeLimit/100 - b.StoredWh }
func (b *Battery) spare() float64 { return b.StoredWh - b.CapacityWh*b.Floor/100 }
