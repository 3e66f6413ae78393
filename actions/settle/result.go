package settle

import (
	"math/big"
	"time"

	"github.com/shopspring/decimal"

	"spillway/actions"
)

// A Slot is one interval of the meter in a window, or the part of it that lies in the window. Energies are in kWh and
// exact; nil where they are not known.
type Slot struct {
	Start, End time.Time // UTC
	Metered    *big.Rat
	Baseline   *big.Rat
	Gain       *big.Rat // by the terms' floor
}

// A Considered is a day that the search for like days looked at, and why it counts or not.
type Considered struct {
	Date Date
	Used bool     // it is in the mean
	Why  string   // for people
	KWh  *big.Rat // its energy in the window's intervals; nil where it is no like day

	Slots []*big.Rat // of KWh, that in each interval of the window, before any adjustment
}

// A Range is a stretch of likely gains in kWh.
type Range struct{ Low, High *big.Rat }

// An Adjustment is what the same day's use before the window did to the baseline.
type Adjustment struct {
	From, To time.Time // the stretch compared
	Metered  *big.Rat  // kWh in it
	Baseline *big.Rat  // kWh that the like days had in it
	Interval *big.Rat  // add: kWh added to each whole interval; nil for scale
	Ratio    *big.Rat  // scale: metered to baseline, before the cap; nil for add
	Scale    *big.Rat  // scale: what the baseline was multiplied with
}

// A Result is the settlement of one window. Energies are in kWh and exact; what is not known is nil, and Problems says why.
type Result struct {
	Window    actions.Window
	Direction actions.Direction
	Terms     *actions.Terms // those that applied; nil where none did

	Method     string // how the baseline was made, for people
	Days       []Date // the like days averaged, newest first; where there are too few, those found
	Considered []Considered
	Adjustment *Adjustment
	Slots      []Slot
	Metered    *big.Rat // over the window
	Baseline   *big.Rat
	Gain       *big.Rat
	Likely     *Range // from the tenth to the ninetieth of a hundred, were each like day the baseline

	Rate       *decimal.Decimal // per kWh; nil where none, or where it is not one for the whole window
	Currency   string
	Credit     *decimal.Decimal // rounded half-even to the currency's minor unit
	ExpectedBy time.Time        // zero where no terms apply
	Recorded   *decimal.Decimal // what came
	Difference *decimal.Decimal // Recorded - Credit

	Problems []string
	Made     []Part // which devices made the gain, where that was recorded; see [MadeBy]
	Peak     string // how near the limit was, where that was recorded; see [PeakOf]

	interval int64 // of the meter, in seconds; 0 where there is no data
}

// A Payment says where a window's credit stands.
type Payment string

// The payments: nothing is due (no credit, or none above zero), what is due could not be worked out, it is not due yet, it
// came in full, less came, or it is due and did not come.
const (
	NothingDue Payment = "nothing due"
	Unknown    Payment = "unknown"
	Expected   Payment = "expected"
	Settled    Payment = "settled"
	Short      Payment = "short"
	Missing    Payment = "missing"
)

// Payment returns where the credit stands at the instant now.
func (r *Result) Payment(now time.Time) Payment {
	switch {
	case r.Recorded != nil && (r.Credit == nil || r.Recorded.GreaterThanOrEqual(*r.Credit)):
		return Settled
	case r.Recorded != nil:
		return Short
	case r.Credit == nil && r.Terms != nil && (r.Terms.Rate != "" || len(r.Terms.Rates) > 0):
		return Unknown
	case r.Credit == nil || !r.Credit.IsPositive():
		return NothingDue
	case now.Before(r.ExpectedBy):
		return Expected
	}
	return Missing
}
