package config

import (
	"slices"
	"strings"

	"spillway/actions"
)

// room says what make_room of a device comes to, and what it lacks.
func (k *checker) room(d *actions.Device) {
	if !d.MakeRoom || !d.Enabled {
		return
	}
	where := "devices." + d.Name + ".make_room"
	before := k.drawnBefore(d)
	if len(before) == 0 {
		k.add(Note, where, "let during-statements of a turn-up procedure draw with it", "does nothing: no turn-up procedure draws with %s", d.Name)
		return
	}
	k.roomAndBaseline(d, before)
	if d.Kind == actions.Tank {
		k.roomOfTank(where, d, before)
		return
	}
	if !slices.ContainsFunc(d.Points, func(p actions.Point) bool { return !p.Protects && k.p.GivesBack(d, &p) }) {
		k.add(Note, where, "give a point in W, kW or A a range that goes below 0, or draws below 0 for one of its names",
			"no point lets %s give back, so that it can only be held off", d.Name)
		return
	}
	switch s := &k.p.Supply; {
	case s.OtherLoads == nil && s.OtherLoadsW <= 0:
		k.add(Note, where, "write other_loads in [supply]", "nothing is exported, and no other loads are expected that %s could give back to", d.Name)
	case s.OtherLoads != nil:
		k.add(OK, where, "", "gives back before %s, at most what the other loads draw by %s", strings.Join(before, ", "), s.OtherLoads)
	default:
		most := s.OtherLoadsW / float64(max(1, s.Phases)) * float64(len(k.p.PhasesOf(d)))
		if d.DischargeW > 0 {
			most = min(most, d.DischargeW)
		}
		k.add(OK, where, "", "gives back before %s, at most %s", strings.Join(before, ", "), kw(most))
	}
}

// roomAndBaseline warns where making room moves the credit: what the premises use before a window adjusts their baseline.
func (k *checker) roomAndBaseline(d *actions.Device, before []string) {
	for _, name := range before {
		q := k.p.Procedure(name)
		if i := slices.IndexFunc(q.Terms, func(t actions.Terms) bool { return t.Adjust != "none" }); i >= 0 {
			k.add(Note, "procedures."+name+".settlement.adjust", "ask whether your scheme allows for that",
				"room made in %s before a window lowers what is used then, and with it the baseline", d.Name)
		}
	}
}

// roomOfTank says it of a tank, which is only held off.
func (k *checker) roomOfTank(where string, d *actions.Device, before []string) {
	byItself := slices.ContainsFunc(d.Points, func(p actions.Point) bool {
		if most, known := k.p.MaxDrawW(d, &p); !known || most <= 0 || p.Protects {
			return false
		}
		normal, _ := k.p.DrawW(d, &p, p.Normal)
		return !p.Normal.Known || normal > 0
	})
	switch {
	case !byItself:
		k.add(Note, where, "hold off, by a lead-in statement, the point that keeps it from heating", "no point of %s draws at its normal, so that there is nothing to hold off", d.Name)
	case !d.HasReserve:
		k.add(Note, where, "write reserve", "nothing says how warm the water of %s must stay while it is held off before %s", d.Name, strings.Join(before, ", "))
	default:
		k.add(OK, where, "", "held off before %s, for as long as the window can heat it", strings.Join(before, ", "))
	}
}

// drawnBefore returns the turn-up procedures that draw with the device.
func (k *checker) drawnBefore(d *actions.Device) (names []string) {
	for i := range k.p.Procedures {
		q := &k.p.Procedures[i]
		draws := func(s actions.Statement) bool {
			p := k.p.Point(s.Point)
			if s.Point.Device != d.Name || p == nil {
				return false
			}
			w, known := k.p.DrawW(d, p, s.Want.Value)
			return known && (s.Want.Auto || w > 0)
		}
		if q.Direction == actions.TurnUp && (slices.ContainsFunc(q.During, draws) || slices.ContainsFunc(q.LeadIn, draws)) {
			names = append(names, q.Name)
		}
	}
	return names
}
