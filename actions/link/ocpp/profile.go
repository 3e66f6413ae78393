package ocpp

import "time"

// The ids of the profiles that are ours. Each purpose has one that ends and one that does not.
const (
	lentDefault = 8601
	lentTx      = 8602
	keptDefault = 8603
	keptTx      = 8604
)

// Purposes (OCPP 1.6, 7.10; 2.0.1 Part 2, ChargingProfilePurposeEnumType).
const (
	purposeDefault = "TxDefaultProfile"
	purposeTx      = "TxProfile"
)

// A limit is a profile to be set.
type limit struct {
	id          int
	purpose     string
	transaction string  // of a TxProfile
	level       int     // stack level
	most        float64 // in unit
	unit        string  // A, or W for a charger that takes nothing else
	start       time.Time
	end         time.Time // zero: none
}

// A period is one step of a schedule.
type period struct {
	StartPeriod int     `json:"startPeriod"`
	Limit       float64 `json:"limit"`
}

// stamp writes an instant as OCPP has it: RFC 3339, UTC.
func stamp(t time.Time) string { return t.UTC().Format("2006-01-02T15:04:05Z") }

// seconds returns the duration of a limit from its start, nil where it has no end.
func (l limit) seconds() *int {
	if l.end.IsZero() {
		return nil
	}
	s := int(l.end.Sub(l.start).Round(time.Second) / time.Second)
	return &s
}

// until returns the end of a limit, nil where it has none.
func (l limit) until() *string {
	if l.end.IsZero() {
		return nil
	}
	s := stamp(l.end)
	return &s
}

// inForce returns the limit at the beginning of a composite schedule, and false where it says none.
func inForce(periods []period) (float64, bool) {
	for i := len(periods) - 1; i >= 0; i-- {
		if periods[i].StartPeriod <= 0 {
			return periods[i].Limit, true
		}
	}
	return 0, false
}
