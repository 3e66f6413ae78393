package house

import "math"

// A charger tells a vehicle the most it may draw by the duty cycle of its control pilot (IEC 61851-1:2017, annex A): from
// 10 to 85 % it stands for 0.6 A a percent, above for 2.5 A a percent less 64. No duty cycle stands for less than 6 A.

const (
	leastDuty = 10.0 // percent, and 6 A
	kneeDuty  = 85.0 // percent, and 51 A
	mostDuty  = 96.0 // percent, and 80 A
	alwaysOn  = 100.0
)

// pilotDuty returns the duty cycle in percent that stands for a current in A; 100, a pilot that is steadily on, for none.
func pilotDuty(a float64) float64 {
	switch {
	case a < 6:
		return alwaysOn
	case a <= 51:
		return a / 0.6
	}
	return math.Min(a/2.5+64, mostDuty)
}

// pilotCurrent returns the most that a vehicle may draw at a duty cycle in percent, in A; 0 where it may not charge, or
// where the charger asks to be spoken to (about 5 %).
func pilotCurrent(duty float64) (a float64) {
	switch {
	case duty < 8 || duty > 97:
		return 0
	case duty < leastDuty:
		a = 6
	case duty <= kneeDuty:
		a = 0.6 * duty
	case duty <= mostDuty:
		a = 2.5 * (duty - 64)
	default:
		a = 80
	}
	return math.Round(a*1e6) / 1e6
}
