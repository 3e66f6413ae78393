package house

import "testing"

// Pairs of duty cycle and current as tabled in IEC 61851-1 (read second-hand, in a control pilot test adapter's manual,
// table 4; table A.8 of the standard from memory).
func TestPilot(t *testing.T) {
	for duty, a := range map[float64]float64{0: 0, 2: 0, 5: 0, 7.5: 0, 8: 6, 9.9: 6, 10: 6, 16: 9.6, 20: 12, 25: 15, 50: 30, 53: 31.8, 80: 48, 85: 51,
		86: 55, 90: 65, 96: 80, 97: 80, 98: 0, 100: 0} {
		near(t, "current", pilotCurrent(duty), a, 1e-6)
	}
	// The inverse, by arithmetic: A / 0.6.
	for a, duty := range map[float64]float64{0: 100, 5.9: 100, 6: 10, 10: 16.667, 13: 21.667, 16: 26.667, 20: 33.333, 25: 41.667, 32: 53.333, 51: 85, 80: 96} {
		near(t, "duty", pilotDuty(a), duty, 0.0005)
	}
	for a := 6.0; a <= 80; a++ {
		if a > 51 && a < 53 {
			continue // between 51 and 52.5 A no duty cycle stands for a current
		}
		near(t, "there and back", pilotCurrent(pilotDuty(a)), a, 1e-6)
	}
}
