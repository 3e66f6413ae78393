package house

import (
	"fmt"
	"math"
	"time"
)

// Who decides the van's current.
const (
	Local  Mode = "local"  // the charger's own timer
	Remote Mode = "remote" // CurrentA
)

// A Vehicle is a van on a charger.
type Vehicle struct {
	VoltageV float64
	TimerA   float64 // what the charger's own timer gives while it runs

	Control  Mode
	CurrentA float64 // 0, or whole amperes from 6 to 32

	Plugged bool
	Timer   bool    // the charger's own timer is running
	NeedWh  float64 // what it still has to take from the supply
}

// Draw returns current times voltage while there is a need.
func (v *Vehicle) Draw(float64) float64 {
	if !v.Plugged || v.NeedWh <= batterySlackWh {
		return 0
	}
	if v.Control == Remote {
		return pilotCurrent(pilotDuty(v.CurrentA)) * v.VoltageV
	}
	if v.Timer {
		return v.TimerA * v.VoltageV
	}
	return 0
}

// Lasts returns the time until the need is met.
func (v *Vehicle) Lasts(w float64) time.Duration {
	if w > 0 {
		return hours(v.NeedWh, w)
	}
	return forever
}

// Take lowers the need.
func (v *Vehicle) Take(w float64, d time.Duration) { v.NeedWh = math.Max(0, v.NeedWh-w*d.Hours()) }

// checkCurrent keeps to IEC 61851-1: a control pilot offers nothing between 0 and 6 A; this charger stops at 32 A and
// takes whole amperes.
func checkCurrent(a float64) error {
	if a != 0 && (a < 6 || a > 32 || a != math.Trunc(a)) {
		return fmt.Errorf("%v A is neither 0 nor whole amperes from 6 to 32", a)
	}
	return nil
}
