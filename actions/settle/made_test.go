package settle

import (
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"spillway/actions"
	"spillway/actions/meter"
)

// Worked by hand, over the hour from noon: a battery of 13.5 kWh that charges at 95 % from 40 to 75 %, a van that needs 7.4
// kWh less, 200 litres that warm by 10 K at a COP of 2.5, a load at 2 kW for half of it.
func TestMadeBy(t *testing.T) {
	start := utcTime(t, "2026-06-17T12:00:00Z")
	w := actions.Window{Start: start, End: start.Add(time.Hour)}
	point := func(device, name, unit string) actions.Point {
		return actions.Point{Ref: actions.Ref{Device: device, Point: name}, Unit: unit, Read: &actions.Address{}}
	}
	whole := actions.Ref{Device: "supply", Point: "import"}
	p := &actions.Premises{Supply: actions.Supply{VoltageV: 230, Phases: 1, LimitW: 13_800, OtherLoads: &whole}, Devices: []actions.Device{
		{Name: "barn_battery", Kind: actions.Battery, CapacityWh: 13_500, Efficiency: 0.95, Level: "level", Points: []actions.Point{point("barn_battery", "level", "%")}},
		{Name: "cylinder", Kind: actions.Tank, VolumeL: 200, COP: 2.5, Target: 55, HasTarget: true, Level: "temperature",
			Points: []actions.Point{point("cylinder", "temperature", "°C")}},
		{Name: "heater", Points: []actions.Point{point("heater", "power", "W")}, Kind: actions.Load},
		{Name: "silent", Points: []actions.Point{point("silent", "power", "W")}, Kind: actions.Load},
		{Name: "supply", Points: []actions.Point{{Ref: whole, Unit: "kW"}}, Kind: actions.Load},
		{Name: "van", Kind: actions.Vehicle, NeedPoint: "need", Points: []actions.Point{point("van", "need", "kWh")}},
	}}
	readings := map[actions.Ref][]meter.Sample{}
	record := func(device, name string, value func(minute int) float64) {
		for m := -1; m <= 61; m++ {
			ref := actions.Ref{Device: device, Point: name}
			readings[ref] = append(readings[ref], meter.Sample{At: start.Add(time.Duration(m) * time.Minute), Value: value(m)})
		}
	}
	slope := func(from, to float64) func(int) float64 {
		return func(m int) float64 { return from + (to-from)*float64(min(max(m, 0), 60))/60 }
	}
	record("barn_battery", "level", slope(40, 75))
	record("cylinder", "temperature", func(m int) float64 { return min(45+float64(max(m, 0))/4, 55) }) // 55 °C from 12:40 on
	record("heater", "power", func(m int) float64 {
		if m < 30 {
			return 2000
		}
		return 0
	})
	record("supply", "import", func(m int) float64 { return 9 + float64(m%7)/2 })
	record("van", "need", slope(20, 12.6))
	const want = "by the devices' own readings: van 7.4 kWh (by what it still needs); " +
		"barn battery 5 kWh (40 to 75%, room for 3.6 kWh more); heater 1 kWh (measured); cylinder 0.9 kWh (45 to 55 °C, full 22 min before the end); the import came to 12 kW of the 13.8 kW allowed"
	if d := cmp.Diff(want, madeLine(MadeBy(w, p, readings), PeakOf(w, p, readings))); d != "" {
		t.Error(d)
	}
	// A gap in the readings of a power, and levels that end too soon, tell nothing.
	for ref, list := range readings {
		readings[ref] = append(list[:20:20], list[26:50]...)
	}
	if got := MadeBy(w, p, readings); len(got) != 0 {
		t.Errorf("%+v", got)
	}
	if madeLine(nil, "") != "" {
		t.Error("a line of nothing")
	}
}

// The integral of a constant is it times the time, wherever the readings lie and whatever lies beside the window.
func TestIntegral(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		start := time.Date(2026, 6, 17, 12, 0, 0, 0, time.UTC)
		length := time.Duration(rapid.IntRange(300, 7200).Draw(t, "seconds")) * time.Second
		value := float64(rapid.IntRange(-5000, 5000).Draw(t, "value"))
		var list []meter.Sample
		at := start.Add(time.Duration(rapid.IntRange(-150, 150).Draw(t, "first")) * time.Second)
		for at.Before(start.Add(length + edge)) {
			list = append(list, meter.Sample{At: at, Value: value})
			at = at.Add(time.Duration(rapid.IntRange(1, 140).Draw(t, "step")) * time.Second)
		}
		got, whole := integral(list, start, start.Add(length))
		if want := value * length.Hours(); !whole || math.Abs(got-want) > 1e-6*math.Max(1, math.Abs(want)) {
			t.Fatal(fmt.Sprint(got, whole, want))
		}
	})
}
