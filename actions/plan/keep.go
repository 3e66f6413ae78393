package plan

import (
	"math"
	"slices"
	"time"

	"spillway/actions"
)

// What the household keeps: a battery's floor, a reserve of warm water or for an outage, and a vehicle that must be ready.
// These bind in every window; a hold that would break them ends sooner, or is left out, and the window says so.

// again is how far a level must be above what it must not fall below before a hold that was let go for it comes back, in
// percent or K, so that a point is not switched to and fro.
const again = 2

// keep shortens and drops holds for what the household keeps.
func (p *planner) keep() {
	for i := range p.premises.Devices {
		d := &p.premises.Devices[i]
		if d.Kind == actions.Load {
			continue
		}
		holds := p.explicitHolds(d)
		if len(holds) == 0 {
			continue
		}
		p.keepFloor(d, holds)
		if d.HasReserve {
			p.keepReserve(d, holds)
		}
		if d.Ready != "" {
			p.keepReady(d, holds)
		}
	}
}

// explicitHolds returns the device's holds that count and set a value which the sums know, by when they begin; auto of a
// turn-down window is nothing.
func (p *planner) explicitHolds(d *actions.Device) (list []*hold) {
	for i := range d.Points {
		l := p.lines[d.Points[i].Ref]
		if l == nil {
			continue
		}
		if _, draws := p.premises.DrawW(d, l.pt, actions.Value{}); !draws {
			continue
		}
		for _, h := range l.holds {
			held := h.st.Want.Value.Known || h.st.Want.Auto && !h.win.shares()
			if h.live && held && h.to.After(p.now) {
				list = append(list, h)
			}
		}
	}
	slices.SortStableFunc(list, func(a, b *hold) int { return a.from.Compare(b.from) })
	return list
}

func (h *hold) drawW() float64 {
	w, _ := h.line.p.premises.DrawW(h.line.dev, h.line.pt, h.st.Want.Value)
	return w
}

// active reports whether the point has been told what the hold asks for, and not of its end since.
func (h *hold) active() bool {
	st, p := &h.line.st, h.line.p
	return st.Owed && p.holdOf(st.Step) == h.id && p.Standing.Steps[st.Step].Step.Phase != actions.PhaseRestore
}

// letGo drops a hold, and says why.
func (h *hold) letGo(why string) {
	h.live = false
	h.win.say(quoted(h.st) + " is not held: " + why)
}

// shorten ends a hold at t, and says why.
func (h *hold) shorten(t time.Time, why string) {
	if !t.Before(h.to) {
		return
	}
	if !t.After(actions.Later(h.from, h.line.p.now)) {
		h.letGo(why)
		return
	}
	h.to = t.Truncate(time.Second)
	h.win.say(quoted(h.st) + " ends at " + h.line.p.clock(h.to) + ": " + why)
}

// lowest returns the level below which the device is never discharged: its floor, or its reserve where that is higher.
func lowest(d *actions.Device) float64 {
	if d.HasReserve && d.Kind != actions.Tank {
		return math.Max(d.FloorPercent, d.Reserve)
	}
	return d.FloorPercent
}

// keepFloor ends what gives back where the device would be at its floor.
func (p *planner) keepFloor(d *actions.Device, holds []*hold) {
	level := d.LevelNow(p.Readings)
	floor := lowest(d)
	spare, known := d.SpareWh(level.Number, floor)
	why := d.Name + " is at " + actions.Number(floor).String() + " % by then, and kept there"
	for _, h := range holds {
		w := -h.drawW()
		switch {
		case w <= 0:
			continue
		case !level.Known || !known:
			h.win.say("the level of " + d.Name + " is not known: nothing here keeps it above " + actions.Number(floor).String() + " %")
			continue
		case level.Number < floor+again && !h.active():
			h.letGo(d.Name + " is at " + level.String() + " %, and kept above " + actions.Number(floor).String() + " %")
			continue
		}
		begin := actions.Later(h.from, p.now)
		spare = math.Max(0, spare-h.givenSince())
		h.shorten(begin.Add(time.Duration(spare/w*float64(time.Hour))), why)
		if h.live {
			spare = math.Max(0, spare-w*h.to.Sub(begin).Hours())
		}
	}
}

// givenSince returns what the hold's point has given back since the level of its device was read, in Wh: a level is read now
// and then, and the plan made again a while after that.
func (h *hold) givenSince() float64 {
	l := h.line
	read := l.p.Readings[actions.Ref{Device: l.dev.Name, Point: l.dev.Level}].At
	if read.IsZero() || l.st.Sent.IsZero() || !h.active() {
		return 0
	}
	w, _ := l.p.premises.DrawW(l.dev, l.pt, l.st.Value)
	return math.Max(0, -w) * math.Max(0, l.p.now.Sub(actions.Later(read, l.st.Sent)).Hours())
}

// keepReserve lets a device that is below its reserve go from what keeps it from filling.
func (p *planner) keepReserve(d *actions.Device, holds []*hold) {
	level := d.LevelNow(p.Readings)
	if !level.Known {
		return
	}
	unit := " %"
	if d.Kind == actions.Tank {
		unit = " °C"
	}
	for _, h := range holds {
		if h.drawW() > 0 || !p.keepsOff(h) {
			continue
		}
		if level.Number <= d.Reserve || level.Number < d.Reserve+again && !h.active() && !p.now.Before(h.from) {
			h.letGo(d.Name + " is at " + level.String() + unit + ", and " + actions.Number(d.Reserve).String() + unit + " is kept for the household")
		}
	}
}

// keepsOff reports whether the hold's point could draw more than the hold lets it.
func (p *planner) keepsOff(h *hold) bool {
	most, known := p.premises.MaxDrawW(h.line.dev, h.line.pt)
	return known && most > math.Max(0, h.drawW())
}

// keepReady ends what keeps a device from filling in time for the device to be ready, with all it can draw from then on.
// Only the next time it must be ready counts: what it needs for the one after nobody knows.
func (p *planner) keepReady(d *actions.Device, holds []*hold) {
	ready := p.readyAt(d, p.now)
	room, known := d.RoomWh(d.LevelNow(p.Readings), d.Need(p.Readings))
	most := p.mostW(d)
	if ready.IsZero() || most <= 0 {
		return
	}
	sure := d.LevelNow(p.Readings).Known || d.Need(p.Readings).Known
	for _, h := range holds {
		begin, w := actions.Later(h.from, p.now), h.drawW()
		if w < 0 {
			w /= p.store(d).back // what is given back is to be put back
		}
		if !h.from.Before(ready) || w >= most || !p.keepsOff(h) {
			continue
		}
		if !known || !sure {
			h.win.say("what " + d.Name + " needs is not known: nothing here makes it ready by " + p.clock(ready))
			continue
		}
		if lack := room - most*ready.Sub(begin).Hours(); lack > leastMust*1000 {
			h.win.say(d.Name + " cannot be ready by " + p.clock(ready) + ": " + kwhs(lack) + " are lacking with all it can draw until then")
		}
		// From t on it draws all it can: room = w (t - begin) + most (ready - t).
		hours := (most*ready.Sub(begin).Hours() - room) / (most - w)
		t := begin.Add(time.Duration(hours * float64(time.Hour)))
		if t.Before(ready) {
			h.shorten(t, d.Name+" must be ready by "+p.clock(ready))
		}
		room = math.Max(0, room-w*actions.Earlier(h.to, ready).Sub(begin).Hours())
	}
}

// mostW returns the most the device can draw, in W, with what the rest of the premises leaves.
func (p *planner) mostW(d *actions.Device) (most float64) {
	for i := range d.Points {
		if w, known := p.premises.MaxDrawW(d, &d.Points[i]); known {
			most = math.Max(most, w)
		}
	}
	if limit := p.premises.Supply.LimitW; limit > 0 {
		other := p.otherLoads()
		for _, ph := range p.premises.PhasesOf(d) {
			most = math.Min(most, math.Max(0, limit-other[ph-1])*float64(len(p.premises.PhasesOf(d))))
		}
	}
	return most
}

// readyAt returns the next time from t on by which the device must be ready; zero: never.
func (p *planner) readyAt(d *actions.Device, t time.Time) time.Time {
	clock, err := time.Parse("15:04", d.Ready)
	if err != nil {
		return time.Time{}
	}
	local := t.In(zone(p.premises))
	for day := range 3 {
		r := time.Date(local.Year(), local.Month(), local.Day()+day, clock.Hour(), clock.Minute(), 0, 0, local.Location())
		if r.After(t) {
			return r.UTC()
		}
	}
	return time.Time{}
}
