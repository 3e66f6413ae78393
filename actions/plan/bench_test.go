package plan

import (
	"fmt"
	"testing"
	"time"

	"spillway/actions"
)

// many makes n devices, four to a link, and m windows over a week, each holding two points of every device that its
// procedure names.
func many(devices, windows, perProcedure int) Input {
	p := &actions.Premises{Zone: time.UTC, Margin: 30 * time.Second, Supply: actions.Supply{LimitW: 13800, VoltageV: 230, Phases: 1, OtherLoadsW: 800}}
	for i := range (devices + 3) / 4 {
		p.Links = append(p.Links, actions.Link{Name: fmt.Sprintf("link%04d", i), Spacing: 5 * time.Second, Confirm: 2 * time.Second})
	}
	r := actions.Readings{}
	for i := range devices {
		d := device(actions.Device{Name: fmt.Sprintf("device%04d", i), Link: p.Links[i/4].Name, Kind: actions.Battery, CapacityWh: 10000, PowerW: 1000, Level: "level"},
			pt{name: "mode", values: "own_use charge"}, pt{name: "power", unit: "W", max: 1000, normal: "0"}, pt{name: "level", unit: "%", readOnly: true})
		p.Devices = append(p.Devices, d)
		r[actions.Ref{Device: d.Name, Point: "mode"}] = actions.Reading{Value: actions.Named("own_use")}
		r[actions.Ref{Device: d.Name, Point: "level"}] = actions.Reading{Value: actions.Number(20)}
	}
	var list []proc
	for i := 0; i < devices; i += perProcedure {
		c := proc{name: fmt.Sprintf("procedure%04d", i/perProcedure), rank: i % 3}
		for k := i; k < min(i+perProcedure, devices); k++ {
			c.leadIn = append(c.leadIn, fmt.Sprintf("device%04d.power = 800 W", k))
			c.during = append(c.during, fmt.Sprintf("device%04d.mode = charge", k))
		}
		list = append(list, c)
	}
	procedures(p, list...)
	in := Input{Premises: p, Now: at("00:00"), Readings: r, Standing: actions.NewStanding()}
	for i := range windows {
		start := in.Now.Add(time.Hour + time.Duration(i)*7*24*time.Hour/time.Duration(windows))
		id := fmt.Sprintf("w%04d", i)
		in.Windows = append(in.Windows, actions.Window{ID: id, UID: id, Title: "Free power", Procedure: list[i%len(list)].name, Start: start, End: start.Add(time.Hour)})
	}
	return in
}

// A week of 20 windows for 10 devices is to be planned in under 1 ms.
func BenchmarkWeek(b *testing.B) {
	in := many(10, 20, 10)
	b.ReportAllocs()
	for b.Loop() {
		Make(in)
	}
}

// Cost is to grow in line with windows and with devices: the time per hold that is printed stays about the same. Of devices,
// first every window has ten of them, then every window has all.
func BenchmarkGrowth(b *testing.B) {
	for _, n := range []int{1, 10, 100, 1000} {
		b.Run(fmt.Sprintf("windows=%d", n), func(b *testing.B) { growth(b, many(10, n, 10)) })
	}
	for _, n := range []int{1, 10, 100, 1000} {
		b.Run(fmt.Sprintf("devices=%d", n), func(b *testing.B) { growth(b, many(n, 100, 10)) })
	}
	for _, n := range []int{1, 10, 100, 1000} {
		b.Run(fmt.Sprintf("all_of_devices=%d", n), func(b *testing.B) { growth(b, many(n, 10, n)) })
	}
	b.Run("both=1000", func(b *testing.B) { growth(b, many(1000, 1000, 10)) })
}

func growth(b *testing.B, in Input) {
	holds := 0
	for _, w := range Make(in).Windows {
		holds += len(w.Claims)
	}
	for b.Loop() {
		Make(in)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*holds), "ns/hold")
}
