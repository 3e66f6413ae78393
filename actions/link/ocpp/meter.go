package ocpp

import (
	"encoding/json"
	"math"
	"strconv"
	"strings"
)

// A sample is one sampled value: OCPP 1.6, 7.43 (value a text, unit beside it) and 2.0.1 Part 2, SampledValueType (value a
// number, unit and multiplier within unitOfMeasure).
type sample struct {
	Value     json.RawMessage `json:"value"`
	Format    string          `json:"format"`
	Measurand string          `json:"measurand"`
	Phase     string          `json:"phase"`
	Location  string          `json:"location"`
	Unit      string          `json:"unit"`
	Of        struct {
		Unit       string `json:"unit"`
		Multiplier int    `json:"multiplier"`
	} `json:"unitOfMeasure"`
}

type meterValue struct {
	SampledValue []sample `json:"sampledValue"`
}

// readings are what meter values say of the points.
type readings struct {
	power, energy, offered known[float64]
}

// readMeter takes the newest of each: later sets replace earlier ones. A value without a phase is the total; without one
// the phases L1, L2 and L3 are added, and of currents the greatest counts.
func readMeter(values []meterValue) readings {
	var r readings
	for _, v := range values {
		sums := map[string]known[float64]{}
		totals := map[string]known[float64]{}
		for _, s := range v.SampledValue {
			name, x, ok := s.read()
			switch {
			case !ok:
			case s.Phase == "":
				totals[name] = hear(x)
			case name == "Current.Offered":
				sums[name] = hear(math.Max(sums[name].value, x))
			case s.Phase == "L1" || s.Phase == "L2" || s.Phase == "L3" || strings.HasSuffix(s.Phase, "-N"):
				sums[name] = hear(sums[name].value + x)
			}
		}
		for name, into := range map[string]*known[float64]{
			"Power.Active.Import": &r.power, "Energy.Active.Import.Register": &r.energy, "Current.Offered": &r.offered,
		} {
			if sums[name].heard {
				*into = sums[name]
			}
			if totals[name].heard {
				*into = totals[name]
			}
		}
	}
	return r
}

// read returns the measurand and its value in W, Wh or A.
func (s sample) read() (string, float64, bool) {
	text := strings.Trim(string(s.Value), `" `)
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(x) || math.IsInf(x, 0) || s.Format == "SignedData" || math.Abs(float64(s.Of.Multiplier)) > 12 {
		return "", 0, false
	}
	if s.Location != "" && s.Location != "Outlet" {
		return "", 0, false // not what the vehicle takes
	}
	name, unit := s.Measurand, s.Unit+s.Of.Unit
	if name == "" {
		name = "Energy.Active.Import.Register" // the default of both versions
	}
	x *= math.Pow10(s.Of.Multiplier)
	switch unit {
	case "", "W", "Wh", "A":
	case "kW", "kWh":
		x *= 1000
	default:
		return "", 0, false
	}
	return name, x, true
}
