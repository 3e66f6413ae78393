package plan

import (
	"math"
	"slices"
	"strings"
	"time"

	"spillway/actions"
)

// A draw is power in W from one instant to another.
type draw struct {
	from, to time.Time
	w        float64
	shared   float64 // the part of w that auto statements set
}

// draws appends what the point draws while holds are on it. A command counts from when it is sent; a point that goes back
// to its normal draws until then, and no longer than its window. A battery or vehicle draws from the window's start only.
func (l *line) draws(list []draw) []draw {
	if _, draws := l.p.premises.DrawW(l.dev, l.pt, actions.Value{}); !draws {
		return list
	}
	spans := l.kept()
	var begun time.Time // a late command holds up what follows on it
	for i, sp := range spans {
		begun = actions.Later(begun, sp.begins())
		if sp.hold == nil {
			continue
		}
		w, _ := l.p.premises.DrawW(l.dev, l.pt, sp.value)
		from, to := begun, sp.hold.to
		if i+1 < len(spans) {
			to = spans[i+1].begins()
			if spans[i+1].hold == nil {
				to = actions.Earlier(to, sp.hold.win.End)
			}
		}
		if l.pt.Lasts > 0 && sp.value != l.normal {
			to = actions.Earlier(to, from.Add(l.pt.Lasts))
		}
		if w > 0 && (l.dev.Kind == actions.Battery || l.dev.Kind == actions.Vehicle) && from.Before(sp.hold.win.start) {
			list = l.drawsOn(list, sp.hold, draw{from: from, to: actions.Earlier(to, sp.hold.win.start), w: w})
			from = sp.hold.win.start
		}
		if w != 0 && from.Before(to) {
			d := draw{from: from, to: to, w: w}
			if sp.hold.st.Want.Auto {
				d.shared = w
			}
			list = append(list, d)
		}
	}
	return list
}

// drawsOn appends what a battery or vehicle draws at the power d that the lead-in of a window to come asks for, while a
// window that is on already makes it draw.
func (l *line) drawsOn(list []draw, lead *hold, d draw) []draw {
	for _, h := range l.holds { // by window, which are by start
		if h == lead || !h.live || !h.win.start.Before(d.to) {
			continue
		}
		if from, to := actions.Later(d.from, actions.Later(h.from, h.win.start)), actions.Earlier(d.to, h.to); from.Before(to) {
			x := draw{from: from, to: to, w: d.w}
			if lead.st.Want.Auto {
				x.shared = d.w
			}
			list = append(list, x)
			d.from = to
		}
	}
	return list
}

// kept returns the spans without those whose command is missed.
func (l *line) kept() []span {
	for _, c := range l.changes {
		if c.drop == missed {
			return slices.DeleteFunc(slices.Clone(l.spans), func(s span) bool { return s.change != nil && s.change.drop == missed })
		}
	}
	return l.spans
}

// begins returns when the point has the span's value.
func (s span) begins() time.Time {
	if s.change != nil && s.change.drop == kept {
		return s.change.at
	}
	return s.from
}

// flatten adds up draws of several points of one device into draws that do not overlap, none above most (0: no bound).
func flatten(all []draw, most float64) []draw {
	if apart(all) {
		for i := range all {
			all[i].cap(most)
		}
		return all
	}
	type edge struct {
		t         time.Time
		w, shared float64
	}
	edges := make([]edge, 0, 2*len(all))
	for _, d := range all {
		edges = append(edges, edge{d.from, d.w, d.shared}, edge{d.to, -d.w, -d.shared})
	}
	slices.SortStableFunc(edges, func(a, b edge) int { return a.t.Compare(b.t) })
	out := make([]draw, 0, len(all))
	var w, shared float64
	for i := range edges {
		w += edges[i].w
		shared += edges[i].shared
		if i+1 == len(edges) || edges[i+1].t.Equal(edges[i].t) || math.Abs(w) < 1e-6 {
			continue
		}
		x := draw{from: edges[i].t, to: edges[i+1].t, w: w, shared: shared}
		x.cap(most)
		out = append(out, x)
	}
	return out
}

// apart reports whether draws come one after another.
func apart(all []draw) bool {
	for i := 1; i < len(all); i++ {
		if all[i].from.Before(all[i-1].to) {
			return false
		}
	}
	return true
}

// cap makes it draw no more than most (0: no bound).
func (d *draw) cap(most float64) {
	if most > 0 && d.w > most {
		d.w, d.shared = most, d.shared*most/d.w
	}
}

// A store is how much a device can still take, or give back, as the plan goes on.
type store struct {
	roomWh  float64 // until it is full; +Inf: nothing bounds it
	spareWh float64 // until its floor, at its terminals; +Inf likewise
	back    float64 // what of the energy taken comes back: the efficiency there and back
}

// store returns how much the device can take and give now.
func (p *planner) store(d *actions.Device) *store {
	level, need := d.LevelNow(p.Readings), d.Need(p.Readings)
	if need.IsNumber() && d.NeedPoint == "" {
		need.Number = math.Max(0, need.Number-p.takenWh(d))
	}
	room, _ := d.RoomWh(level, need)
	s := &store{roomWh: room, spareWh: math.Inf(1), back: 1}
	if level.IsNumber() {
		if spare, known := d.SpareWh(level.Number, lowest(d)); known {
			s.spareWh = spare
		}
	}
	if d.Efficiency > 0 {
		s.back = d.Efficiency * d.Efficiency
	}
	return s
}

// takenWh returns what the device has taken by the steps that the standing still has, in Wh: a need that is configured, and
// not read, gets less by that.
func (p *planner) takenWh(d *actions.Device) (wh float64) {
	if len(p.Standing.Steps) == 0 {
		return 0
	}
	for i := range d.Points {
		pt := &d.Points[i]
		if _, draws := p.premises.DrawW(d, pt, actions.Value{}); !draws {
			continue
		}
		steps := p.sentTo(pt.Ref)
		for i, st := range steps {
			to := p.now
			if i+1 < len(steps) {
				to = steps[i+1].Sent
			}
			from := actions.Later(st.Sent, st.Step.Start)
			if w, _ := p.premises.DrawW(d, pt, st.Step.Value); w > 0 && !st.Step.Release && from.Before(to) {
				wh += w * to.Sub(from).Hours()
			}
		}
	}
	return wh
}

// sentTo returns the steps of a point that were sent and came to something, by when.
func (p *planner) sentTo(ref actions.Ref) (list []actions.StepStanding) {
	for _, st := range p.Standing.Steps {
		if st.Step.Point == ref && !st.Step.Renews && !st.Sent.IsZero() && st.State != actions.Failed && st.State != actions.Skipped {
			list = append(list, st)
		}
	}
	slices.SortFunc(list, func(a, b actions.StepStanding) int {
		if c := a.Sent.Compare(b.Sent); c != 0 {
			return c
		}
		return strings.Compare(a.Step.ID, b.Step.ID)
	})
	return list
}

// leastDraw is the shortest draw worth a word: a device with less to take than that is full. What ends for another reason
// counts to its end.
const leastDraw = time.Second

// take returns the part of d that the device really draws: until it is full, or at its floor.
func (s *store) take(d draw) []draw {
	wh := math.Abs(d.w) * d.to.Sub(d.from).Hours()
	left := s.roomWh
	if d.w < 0 {
		left = s.spareWh
	}
	full := wh > left
	if full {
		d.to = d.from.Add(time.Duration(left / math.Abs(d.w) * float64(time.Hour)).Round(time.Millisecond))
		wh = left
	}
	if d.w > 0 {
		s.roomWh -= wh
		s.spareWh += wh * s.back
	} else {
		s.spareWh -= wh
		s.roomWh += wh / s.back
	}
	if full && d.to.Sub(d.from) < leastDraw {
		return nil
	}
	return []draw{d}
}

// otherLoads returns what the rest of the premises draws, in W by phase: the configured figure, or the reading of the
// whole import less what our devices draw now. Generation is left out: never below zero.
func (p *planner) otherLoads() (w [3]float64) {
	s := &p.premises.Supply
	total := s.OtherLoadsW
	if s.OtherLoads != nil {
		total = math.Max(0, p.importW(*s.OtherLoads)-p.ownW())
	}
	for ph := range p.phases() {
		w[ph] = total / float64(p.phases())
	}
	return w
}

// sayUnread says that the whole import is to be read and is not known, in the windows that it could matter to.
func (p *planner) sayUnread() {
	ref := p.premises.Supply.OtherLoads
	if ref == nil || p.Readings[*ref].Value.IsNumber() {
		return
	}
	for _, w := range p.windows {
		if w.ahead(p.now) && len(w.holds) > 0 {
			w.say(ref.String() + " is not known, so the other loads count as nothing, and the limit may be passed")
		}
	}
}

// importW returns the reading of the whole import in W; 0 where there is none.
func (p *planner) importW(ref actions.Ref) float64 {
	pt := p.premises.Point(ref)
	v := p.Readings[ref].Value
	if pt == nil || !v.IsNumber() {
		return 0
	}
	switch pt.Unit {
	case "kW":
		return v.Number * 1000
	case "A":
		return v.Number * p.premises.Supply.VoltageV * float64(p.phases())
	}
	return v.Number
}

// ownW returns what our devices draw now, less what they give back, by what the standing says was asked of them.
func (p *planner) ownW() (w float64) {
	for _, l := range p.order {
		if !l.st.Owed {
			continue
		}
		x, _ := p.premises.DrawW(l.dev, l.pt, l.st.Value)
		if back := p.metBackW(l); back > 0 {
			w -= back
			continue
		}
		early := (l.dev.Kind == actions.Battery || l.dev.Kind == actions.Vehicle) && !p.inWindow(l)
		if x > 0 && !early && p.store(l.dev).roomWh > 0 {
			w += x
		}
	}
	return w
}

// inWindow reports whether the window that holds the line is on.
func (p *planner) inWindow(l *line) bool {
	for _, h := range l.holds {
		if h.win.ID == l.st.Window {
			return !p.now.Before(h.win.start)
		}
	}
	return true
}

// sayUnfigured says which devices are left out of the sums.
func (p *planner) sayUnfigured() {
	for _, w := range p.windows {
		if !w.ahead(p.now) {
			continue
		}
		for _, h := range w.holds {
			if h.live && p.unfigured(h) {
				w.say(h.line.ref.Device + " is left out of the sums: nothing says what it draws")
			}
		}
	}
}

// unfigured reports whether the hold makes its device draw and nobody said how much.
func (p *planner) unfigured(h *hold) bool {
	if h.line.dev.Unfigured(h.line.pt) {
		return h.st.Want.Value.Name == "on"
	}
	if k := h.line.dev.Kind; k != actions.Battery && k != actions.Vehicle || h.win.proc.Direction == actions.TurnDown {
		return false
	}
	for i := range h.line.dev.Points {
		if _, draws := p.premises.DrawW(h.line.dev, &h.line.dev.Points[i], actions.Value{}); draws {
			return false
		}
	}
	return true
}
