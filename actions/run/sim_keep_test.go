package run

import (
	"math"
	"slices"
	"time"

	"spillway/actions"
	"spillway/actions/house"
)

// What the household keeps is checked at the devices' true levels: a battery's floor and reserve, a tank's reserve.

const (
	// keptPercent is how far below what is kept a level may be: it is read to a tenth, and a command takes a moment.
	keptPercent = 0.3
	keptKelvin  = 0.3
	// heedIn is within what time a tank at its reserve is let go: it is read every five minutes at the least, and the plan made
	// and the command sent in what is left.
	heedIn = 8 * time.Minute
)

// keeps looks at the levels, now.
func (c *checker) keeps() {
	if c.workshop == nil || c.watch {
		return
	}
	level := c.site.Level
	battery, power := c.premises.Device(house.WorkshopBattery), ref("workshop_battery.power")
	kept := battery.FloorPercent
	if battery.HasReserve {
		kept = math.Max(kept, battery.Reserve)
	}
	if o := c.owners[power]; o.ours && c.site.Setting(power).Number < 0 && c.sound(o) && level(battery.Name) < kept-keptPercent {
		c.fail("%s = %s, and it is at %.2f %%: %v %% are kept", power, c.site.Setting(power), level(battery.Name), kept)
	}
	pump, run := c.premises.Device(house.HeatPump), ref("heat_pump.run")
	o := c.owners[run]
	if !pump.HasReserve || !o.ours || c.site.Setting(run) != actions.Named("off") || level(pump.Name) >= pump.Reserve-keptKelvin || c.shares(run) || !c.sound(o) {
		c.cold = time.Time{}
		return
	}
	if c.cold.IsZero() {
		c.cold = c.t
	}
	if c.t.Sub(c.cold) > heedIn {
		c.fail("%s = off, and it is at %.2f °C: %v °C are kept", run, level(pump.Name), pump.Reserve)
	}
}

// sound reports whether nothing keeps the program from setting the point as it should.
func (c *checker) sound(o *owner) bool {
	return c.quietOn(o.wire) && !o.touched(c.t) && !c.t.Before(c.liar) && c.skew == 0
}

// shares reports whether a window shares what there is with the point now: it may leave it nothing.
func (c *checker) shares(r actions.Ref) bool {
	now := c.wall()
	for _, list := range c.beliefs {
		for _, b := range list {
			for _, x := range b.spans[r] {
				if x.s.Want.Auto && !now.Before(x.early.Add(-heedIn)) && now.Before(x.surelyTo.Add(heedIn)) &&
					c.premises.Procedure(b.w.Procedure).Direction != actions.TurnDown {
					return true
				}
			}
		}
	}
	return false
}

// draws returns what the point draws at v, in W; known is false where it is not in the sums.
func (c *checker) draws(r actions.Ref, v actions.Value) (w float64, known bool) {
	return c.premises.DrawW(c.premises.Device(r.Device), c.premises.Point(r), v)
}

// givesWay reports whether a hold of the point at v may rightly end before its time, or begin after it: for what the
// household keeps, and for least times.
func (c *checker) givesWay(r actions.Ref, v actions.Value) bool {
	d := c.premises.Device(r.Device)
	w, known := c.draws(r, v)
	if !known || !v.Known {
		return false
	}
	switch most, _ := c.premises.MaxDrawW(d, c.premises.Point(r)); {
	case w > 0 && (d.MinOn > 0 || d.MinOff > 0 || d.MinHold > 0), d.MinHold > 0 && w > math.Min(0, c.leastTold(r)):
		return true
	case d.Ready != "" && w < most:
		return true
	case d.Name == house.WorkshopBattery && w <= 0:
		return c.site.Level(d.Name) < math.Max(d.FloorPercent, d.Reserve)+4
	case d.Name == house.HeatPump && w <= 0 && d.HasReserve:
		return c.site.Level(d.Name) < d.Reserve+4
	}
	return false
}

// leastTold returns the least that the setting has drawn of late.
func (c *checker) leastTold(r actions.Ref) (w float64) {
	for _, m := range c.owners[r].recent {
		x, _ := c.draws(r, m.v)
		w = math.Min(w, x)
	}
	return w
}

// mayMakeRoom returns a belief for which the point may be got ready before its window; nil: there is none.
func (c *checker) mayMakeRoom(r actions.Ref) *belief {
	d := c.premises.Device(r.Device)
	if _, draws := c.draws(r, actions.Value{}); !d.MakeRoom || !draws {
		return nil
	}
	for _, id := range c.believed() {
		for _, b := range c.beliefs[id] {
			if c.premises.Procedure(b.w.Procedure).Direction != actions.TurnUp || !c.wall().Before(b.w.Start) || c.isDown(id, r.Device) {
				continue
			}
			for _, x := range b.spans[r] {
				if w, _ := c.draws(r, x.s.Want.Value); x.s.Want.Auto || w > 0 {
					return b
				}
			}
		}
	}
	return nil
}

func (c *checker) isDown(id, device string) bool {
	d := c.downed[id]
	return d.whole || slices.Contains(d.devices, device)
}

// plannedFull reports whether the newest plan takes a device that is on to be full by now.
func (c *checker) plannedFull(d *actions.Device) bool {
	return !slices.ContainsFunc(c.plan.Profile, func(x actions.Slice) bool {
		return x.Device == d.Name && x.KW > 0 && !c.wall().Before(x.From) && c.wall().Before(x.To)
	})
}
