package run

import (
	"time"

	"spillway/actions"
)

func ref(s string) actions.Ref {
	r, err := actions.ParseRef(s)
	if err != nil {
		panic(err)
	}
	return r
}

func address(s string) *actions.Address { return &actions.Address{Topic: s} }

// smallPremises is a barn battery and a van behind one slow gateway, and a cylinder behind a quick one.
func smallPremises() *actions.Premises {
	point := func(name string, values ...string) actions.Point {
		p := actions.Point{Ref: ref(name), Write: address(name), Read: address(name)}
		for _, v := range values {
			p.Values = append(p.Values, actions.NamedValue{Name: v, Wire: v})
		}
		return p
	}
	power := point("battery.charge_power")
	power.Unit, power.Min, power.Max, power.HasRange = "W", 0, 5000, true
	power.Tolerance = actions.Tolerance{Percent: 1}
	current := point("van.current")
	current.Unit, current.Tolerance = "A", actions.Tolerance{Percent: 1}
	plugged := point("van.plugged", "no", "yes")
	plugged.Write = nil
	return &actions.Premises{
		Zone:   time.UTC,
		Margin: 30 * time.Second,
		Supply: actions.Supply{LimitW: 60 * 230, VoltageV: 230, Phases: 1, OtherLoadsW: 800},
		Links: []actions.Link{
			{Name: "barn", Protocol: "mqtt", Spacing: 15 * time.Second, Timeout: 10 * time.Second, Confirm: 10 * time.Second, Tries: 3},
			{Name: "boiler", Protocol: "http", Timeout: 10 * time.Second, Confirm: 10 * time.Second, Tries: 3},
		},
		Devices: []actions.Device{
			{Name: "battery", Link: "barn", Kind: actions.Battery, Enabled: true, PowerW: 5000, CapacityWh: 13500, Efficiency: 0.95, COP: 1, Worth: 1,
				Points: []actions.Point{power, point("battery.mode", "charge", "idle", "own_use")}},
			{Name: "cylinder", Link: "boiler", Kind: actions.Tank, Enabled: true, PowerW: 1100, VolumeL: 210, COP: 2.6, Efficiency: 1, Worth: 1,
				Points: []actions.Point{point("cylinder.boost", "off", "on")}},
			{Name: "van", Link: "barn", Kind: actions.Vehicle, Enabled: true, PowerW: 7360, CapacityWh: 60000, CurrentMinA: 6, CurrentMaxA: 32, Efficiency: 1, COP: 1, Worth: 1,
				Points: []actions.Point{current, plugged}},
		},
		Procedures: []actions.Procedure{
			{Name: "night", Rank: 5, Direction: actions.TurnUp, Match: actions.Match{Title: "night"}, Longest: 24 * time.Hour, During: []actions.Statement{
				{Point: ref("battery.mode"), Want: actions.Want{Value: actions.Named("charge")}, Text: "battery.mode = charge"},
				{Point: ref("battery.charge_power"), Want: actions.Want{Value: actions.Number(2000)}, Text: "battery.charge_power = 2000 W"},
			}},
			{Name: "surplus", Rank: 10, Direction: actions.TurnUp, Match: actions.Match{Title: "free"}, Longest: 24 * time.Hour,
				LeadIn: []actions.Statement{
					{Point: ref("battery.charge_power"), Want: actions.Want{Value: actions.Number(5000)}, Text: "battery.charge_power = 5000 W"},
					{Point: ref("cylinder.boost"), Want: actions.Want{Value: actions.Named("off")}, From: -2 * time.Hour, HasFrom: true, Text: "cylinder.boost = off from -2h"},
				},
				During: []actions.Statement{
					{Point: ref("battery.mode"), Want: actions.Want{Value: actions.Named("charge")}, Text: "battery.mode = charge"},
					{Point: ref("cylinder.boost"), Want: actions.Want{Value: actions.Named("on")}, For: 25 * time.Minute, Text: "cylinder.boost = on for 25m"},
					{Point: ref("van.current"), Want: actions.Want{Value: actions.Number(16)}, Text: "van.current = 16 A if van.plugged = yes",
						Guard: &actions.Guard{Point: ref("van.plugged"), Op: "=", Value: actions.Named("yes")}},
				}},
		},
	}
}

func smallNormals() map[actions.Ref]actions.Value {
	return map[actions.Ref]actions.Value{
		ref("battery.charge_power"): actions.Number(3000),
		ref("battery.mode"):         actions.Named("own_use"),
		ref("cylinder.boost"):       actions.Named("off"),
		ref("van.current"):          actions.Number(6),
		ref("van.plugged"):          actions.Named("yes"),
	}
}

func clock(s string) time.Time {
	t, err := time.Parse("2006-01-02 15:04", s)
	if err != nil {
		panic(err)
	}
	return t
}

func window(uid, procedure, start, end string) actions.Window {
	return actions.Window{ID: actions.WindowID(uid, time.Time{}), UID: uid, Feed: "house", Procedure: procedure, Title: uid, Start: clock(start), End: clock(end)}
}
