package house

import (
	"math"
	"slices"
	"time"

	"spillway/actions"
)

// The links, and the devices behind them.
const (
	LinkBarn       = "barn"         // a gateway on the broker: barn battery and ice bank
	LinkHouse      = "house"        // a gateway on the broker: house battery
	LinkBoilerRoom = "boiler_house" // an HTTP box: cylinder
	LinkYard       = "yard"         // an HTTP box: the van's charger

	BarnBattery  = "barn_battery"
	HouseBattery = "house_battery"
	IceBankName  = "ice_bank"
	Cylinder     = "cylinder"
	Van          = "van"
)

// wire makes the cells: what each box lets others set and read.
func (s *Site) wire() {
	s.wireBattery(&s.barn, LinkBarn, BarnBattery, "barn/battery")
	s.wireBattery(&s.house, LinkHouse, HouseBattery, "house/battery")
	s.add(mode(LinkBarn, IceBankName, "mode", &s.ice.Mode, Rest, Own, Freeze, Rest).on("barn/ice/mode"))
	s.add(gauge(LinkBarn, IceBankName, "ice", s.ice.Level).on("barn/ice/level"))
	s.add(gauge(LinkBarn, "supply", "import", func() float64 { return s.importW }).on("supply/import"))

	s.add(mode(LinkBoilerRoom, Cylinder, "heating", &s.cylinder.Heating, Programme, Programme, Standby))
	s.add(&cell{
		ref: actions.Ref{Device: Cylinder, Point: "boost"}, link: LinkBoilerRoom, names: []string{"on", "off"},
		get: func() actions.Value { return onOff(s.cylinder.Boost) }, set: s.setBoost, wakes: actions.Named("off"),
	})
	s.add(gauge(LinkBoilerRoom, Cylinder, "temperature", func() float64 { return s.cylinder.TempC }))

	s.add(mode(LinkYard, Van, "control", &s.van.Control, Local, Local, Remote))
	current := number(LinkYard, Van, "current", &s.van.CurrentA, 0, 32, 0)
	current.check = s.mayCharge
	s.add(current)
	s.add(&cell{ref: actions.Ref{Device: Van, Point: "plugged"}, link: LinkYard, get: func() actions.Value {
		if s.van.Plugged {
			return actions.Named("yes")
		}
		return actions.Named("no")
	}})
	s.add(gauge(LinkYard, Van, "need", func() float64 { return s.van.NeedWh / 1000 }))
}

func (s *Site) wireBattery(b *Battery, link, device, topic string) {
	s.add(mode(link, device, "mode", &b.Mode, Idle, OwnUse, Charge, Idle).on(topic + "/mode"))
	s.add(number(link, device, "charge_power", &b.ChargePowerW, 0, b.PowerW, 1000).on(topic + "/charge_power"))
	s.add(number(link, device, "charge_limit", &b.ChargeLimit, 30, 100, 90).on(topic + "/charge_limit"))
	s.add(gauge(link, device, "charge_level", b.Level).on(topic + "/level"))
}

func (s *Site) add(c *cell) { s.cells = append(s.cells, c) }

func (c *cell) on(topic string) *cell { c.topic = topic; return c }

func mode(link, device, point string, m *Mode, wakes Mode, all ...Mode) *cell {
	c := &cell{
		ref: actions.Ref{Device: device, Point: point}, link: link, wakes: actions.Named(string(wakes)),
		get: func() actions.Value { return actions.Named(string(*m)) },
		set: func(v actions.Value) { *m = Mode(v.Name) },
	}
	for _, one := range all {
		c.names = append(c.names, string(one))
	}
	return c
}

func number(link, device, point string, x *float64, lowest, most, wakes float64) *cell {
	return &cell{
		ref: actions.Ref{Device: device, Point: point}, link: link, lowest: lowest, most: most, wakes: actions.Number(wakes),
		get: func() actions.Value { return actions.Number(*x) },
		set: func(v actions.Value) { *x = v.Number },
	}
}

// gauge reads to a tenth, as such displays do.
func gauge(link, device, point string, x func() float64) *cell {
	return &cell{ref: actions.Ref{Device: device, Point: point}, link: link, get: func() actions.Value {
		return actions.Number(math.Round(x()*10) / 10)
	}}
}

func onOff(on bool) actions.Value {
	if on {
		return actions.Named("on")
	}
	return actions.Named("off")
}

// setBoost starts a boost, which ends by itself after 20 to 25 minutes (common practice, no source), or ends it.
func (s *Site) setBoost(v actions.Value) {
	s.cylinder.Boost = v.Name == "on"
	s.boostEnds = time.Time{}
	if !s.cylinder.Boost {
		return
	}
	ends := s.now.Add(20*time.Minute + time.Duration(s.rng.Int64N(int64(5*time.Minute))))
	s.boostEnds = ends
	s.later(ends, func() {
		if s.boostEnds.Equal(ends) {
			s.move(s.cell(actions.Ref{Device: Cylinder, Point: "boost"}), onOff(false), Itself)
		}
	})
}

// mayCharge refuses a current that the charger would not take: see [Vehicle].
func (s *Site) mayCharge(v actions.Value) *refusal {
	if s.van.Control != Remote {
		return &refusal{409, "the charger is in local control: set control to remote first"}
	}
	if err := checkCurrent(v.Number); err != nil {
		return &refusal{422, err.Error()}
	}
	return nil
}

func (s *Site) cell(ref actions.Ref) *cell {
	i := slices.IndexFunc(s.cells, func(c *cell) bool { return c.ref == ref })
	if i < 0 {
		return nil
	}
	return s.cells[i]
}

// move changes a setting from inside and records it.
func (s *Site) move(c *cell, v actions.Value, by Source) { s.moveFor(c, v, 0, by) }

func (s *Site) moveFor(c *cell, v actions.Value, lasts time.Duration, by Source) {
	e := Entry{At: s.now, Effect: s.now, Link: c.link, Point: c.ref, Asked: v.String(), Before: c.get(), Source: by, Outcome: Accepted}
	s.put(c, v, lasts)
	e.After = c.get()
	s.ledger = append(s.ledger, e)
	s.tellSoon(c)
}

// minute is what changes with the clock: the household, the taps, the van's comings and goings, and what is told of levels.
func (s *Site) minute() {
	local := s.now.In(s.zone)
	s.household.W = s.household.At(local)
	s.cylinder.UseW = tapsW(local)
	at := local.Hour()*60 + local.Minute()
	s.van.Timer = at >= 5*60 && at < 7*60+30
	if local.Weekday() != time.Sunday {
		day := uint64(s.now.Unix() / 86400)
		switch at {
		case 7*60 + 50:
			s.van.Plugged = false
		case 17*60 + 40:
			if !s.van.Plugged {
				s.van.Plugged = true
				s.van.NeedWh += math.Round(6000 + 3000*fraction(s.seed+2, day))
			}
		}
	}
	s.flow()
	for _, c := range s.cells {
		if c.set == nil {
			s.tell(c)
		}
	}
}
