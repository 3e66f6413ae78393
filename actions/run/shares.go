package run

import (
	"fmt"
	"math"
	"time"

	"spillway/actions"
)

const (
	// shareLook is how soon a step that waits for power is looked at again.
	shareLook = time.Second
	// shareTell is how long a step waits for power before someone is told.
	shareTell = 30 * time.Second
	// shareSlack is W of rounding.
	shareSlack = 0.5
)

// mustWait reports whether the job's command would draw, on top of what is drawn now, more than the supply's limit, and
// would not once what other devices are due to let go of is read back. A limit that the plan passes by itself was said
// by the planner and makes nothing wait.
func (m *Machine) mustWait(j *job) bool {
	limit := m.set.Premises.Supply.LimitW
	if limit <= 0 || j.step.Release || j.step.Renews {
		return false
	}
	var now, then, before, after [3]float64 // W by phase: the others now, and once they let go; the job's device
	own := m.set.Premises.Device(j.step.Point.Device)
	m.spread(&before, own, m.drawn(own, nil, m.hasBegun))
	m.spread(&after, own, m.drawn(own, map[actions.Ref]actions.Step{j.step.Point: j.step}, m.makesDraw))
	if !moreOnAny(after, before) {
		return false
	}
	due := m.dueNow(j)
	for i := range m.set.Premises.Devices {
		d := &m.set.Premises.Devices[i]
		if d == own {
			continue
		}
		have := m.drawn(d, nil, m.makesDraw)
		m.spread(&now, d, have)
		m.spread(&then, d, math.Min(have, m.drawn(d, due, m.makesDraw)))
	}
	other := m.otherW(now, before)
	for ph := range now {
		if after[ph] > before[ph]+shareSlack && now[ph]+after[ph]+other > limit+shareSlack && then[ph]+after[ph]+other <= limit+shareSlack {
			if m.now.Wall.Sub(j.step.At) > shareTell {
				m.trouble("share "+j.step.Point.String(), j.step.Point.String(),
					fmt.Sprintf("%s waits until other devices have let go of the power it needs", j.value))
			}
			return true
		}
	}
	return false
}

// moreOnAny reports whether a draws more than b on any phase.
func moreOnAny(a, b [3]float64) bool {
	for ph := range a {
		if a[ph] > b[ph]+shareSlack {
			return true
		}
	}
	return false
}

// dueNow returns the steps that are due and not settled, by point, without the job's own.
func (m *Machine) dueNow(j *job) map[actions.Ref]actions.Step {
	due := map[actions.Ref]actions.Step{}
	for _, l := range m.lanes {
		for i := range l.steps {
			s := &l.steps[i]
			// What the spacing holds back is due all the same.
			if s.Due.After(m.now.Wall) || s.Due.IsZero() && s.At.After(m.now.Wall) {
				continue
			}
			if s.ID != j.step.ID && !m.done[s.ID] {
				due[s.Point] = *s
			}
		}
	}
	return due
}

// drawn returns the most that d draws by what was asked of it, in W over its phases, once steps are done. What a point at
// its normal draws is part of the other loads; a battery or vehicle draws once one of its steps, of those asked for, makes
// it.
func (m *Machine) drawn(d *actions.Device, steps map[actions.Ref]actions.Step, makes func(actions.Step) bool) (w float64) {
	store := d.Kind == actions.Battery || d.Kind == actions.Vehicle
	on := !store
	for i := range d.Points {
		p := &d.Points[i]
		if s, ok := steps[p.Ref]; ok {
			if !s.Release {
				x, _ := m.set.Premises.DrawW(d, p, s.Value)
				w += math.Max(0, x)
				on = on || makes(s)
			}
			continue
		}
		st, ok := m.standing.Points[p.Ref]
		if s, sending := m.sending(p.Ref); sending { // asked for in this round, and not journaled yet
			if !ok {
				st = actions.PointStanding{}
			}
			x, _ := m.set.Premises.DrawW(d, p, s.Value)
			if s.Release {
				x = 0
			}
			old, _ := m.set.Premises.DrawW(d, p, s.From)
			if !st.Owed {
				old = 0
			}
			w += math.Max(0, math.Max(x, old))
			on = on || makes(s)
			continue
		}
		if !ok || !st.Owed && (!st.Certain || st.Hand.Known) {
			continue
		}
		s := m.standing.Steps[st.Step].Step
		x := m.askedW(d, p, st, s)
		if x > 0 || !s.Release {
			on = on || makes(s)
		}
		w += x
	}
	if !on {
		return 0
	}
	if d.PowerW > 0 {
		w = math.Min(w, d.PowerW)
	}
	return w
}

// sending returns the step that this round sends to the point.
func (m *Machine) sending(ref actions.Ref) (actions.Step, bool) {
	for _, j := range m.intents {
		if j.step.Point == ref {
			return j.step, true
		}
	}
	return actions.Step{}, false
}

// askedW returns what the point draws by what was asked of it last; where that is not confirmed, the more of it and of
// what it had before.
func (m *Machine) askedW(d *actions.Device, p *actions.Point, st actions.PointStanding, s actions.Step) float64 {
	var x float64
	if !s.Release {
		x, _ = m.set.Premises.DrawW(d, p, st.Value)
	}
	if !st.Certain {
		before, _ := m.set.Premises.DrawW(d, p, s.From)
		x = math.Max(x, before)
	}
	return math.Max(0, x)
}

// hasBegun reports whether a step surely made its device draw. A lead-in alone does not: the window's first command does.
func (m *Machine) hasBegun(s actions.Step) bool { return s.Phase != actions.PhaseLeadIn }

// makesDraw reports whether a step may make its device draw: a lead-in does from its window's start.
func (m *Machine) makesDraw(s actions.Step) bool {
	if s.Phase != actions.PhaseLeadIn {
		return true
	}
	w := m.plan.Window(s.Window)
	return w == nil || !m.now.Wall.Before(w.Start)
}

func (m *Machine) spread(sum *[3]float64, d *actions.Device, w float64) {
	phases := m.set.Premises.PhasesOf(d)
	for _, ph := range phases {
		sum[ph-1] += w / float64(len(phases))
	}
}

// otherW returns what the rest of the premises draws, in W on each phase.
func (m *Machine) otherW(now, own [3]float64) float64 {
	s := &m.set.Premises.Supply
	total := s.OtherLoadsW
	if s.OtherLoads != nil {
		v := m.readings[*s.OtherLoads].Value
		total = 0
		if p := m.set.Premises.Point(*s.OtherLoads); p != nil && v.IsNumber() {
			total = v.Number
			switch p.Unit {
			case "kW":
				total *= 1000
			case "A":
				total *= s.VoltageV * float64(max(1, s.Phases))
			}
		}
		for ph := range now {
			total -= now[ph] + own[ph]
		}
		total = math.Max(0, total)
	}
	if s.Phases == 3 {
		return total / 3
	}
	return total
}
