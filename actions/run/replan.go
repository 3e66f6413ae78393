package run

import (
	"time"

	"spillway/actions"
	"spillway/actions/plan"
)

const (
	// keepSteps is how long the settled steps of a window stay in the standing after its end.
	keepSteps = time.Hour
	// keepNeed is how long where a device with a configured need is among them: what it took in one window is not needed again
	// in another of the same day. After that, such as in the next night, the need is whole again.
	keepNeed = 12 * time.Hour
	// planAgain is how often the plan is made again where nothing happens.
	planAgain = time.Hour
	// soon is how long news of levels and loads, which move all the time, may wait for a plan.
	soon = 30 * time.Second

	// stepCost is about what planning one step takes. It only decides whether a plan that can wait waits for the next step.
	stepCost = 20 * time.Microsecond
	// smallCost is the cost of a plan that never waits: no step is late by it.
	smallCost = 10 * time.Millisecond
	// mostPatience is how long a plan that can wait waits at the most.
	mostPatience = time.Minute
)

// planCanWait reports whether the plan must be made again by the clock alone, and nothing that is due hangs on it: no news,
// no guard, and a moment that has only just come, not one that was slept over. What the plan in force has due is then
// sent first, so that a large plan makes no step late.
func (m *Machine) planCanWait() bool {
	now := m.now.Wall
	if m.plan == nil || m.dirty || now.Before(m.plan.At) || !now.Before(m.decideAt) {
		return false
	}
	return !now.Before(m.replanAt) && now.Sub(m.replanAt) < max(time.Second, m.patience())
}

// patience is how long a plan that can wait may wait for steps that are due soon.
func (m *Machine) patience() time.Duration {
	if m.planCost() <= smallCost {
		return 0
	}
	return mostPatience
}

// planCost is about how long the plan takes to be made again; 0 where no step is late by it.
func (m *Machine) planCost() time.Duration {
	return time.Duration(len(m.plan.Steps)+len(m.standing.Steps)) * stepCost
}

// nextDue returns how long it is until the next step is due, on any link.
func (m *Machine) nextDue() time.Duration {
	next := wakeAtLeast
	for _, l := range m.lanes {
		for i := range l.steps {
			s := &l.steps[i]
			wait := s.At.Sub(m.now.Wall)
			if wait >= next {
				break
			}
			if wait > 0 && !m.done[s.ID] {
				next = wait
				break
			}
		}
	}
	return next
}

// replan makes the plan again where something it depends on has changed, and drops the jobs it no longer wants.
func (m *Machine) replan() {
	now := m.now.Wall
	stepped := m.plan != nil && now.Before(m.plan.At)
	if !m.dirty && !stepped && now.Before(m.replanAt) && (m.soonAt == 0 || m.now.Up < m.soonAt) {
		return
	}
	var hygiene map[string]time.Time
	if m.set.HygieneDue != nil {
		hygiene = m.set.HygieneDue()
	}
	m.plan = plan.Make(plan.Input{
		Premises: m.set.Premises,
		Windows:  m.windows(),
		Readings: m.readings,
		Standing: m.standingNow(),
		Current:  m.plan,
		Now:      now,
		To:       now.Add(m.set.Horizon),

		HygieneDue: hygiene,
	})
	m.dirty, m.soonAt, m.changed = false, 0, true
	clear(m.done)
	m.replanAt, m.decideAt = m.boundary()
	m.share()
	m.watch.want(m)
	m.samples.refs = m.sampled()
	m.tidyAt = 0
	m.clearIdle()
}

// planSoon has the plan made again within a while, for news that can wait.
func (m *Machine) planSoon() {
	if m.soonAt == 0 {
		m.soonAt = m.now.Up + soon
	}
}

// share hands the plan's steps to the lanes.
func (m *Machine) share() {
	clear(m.planned)
	for _, l := range m.lanes {
		l.steps = l.steps[:0]
	}
	for i := range m.plan.Steps {
		s := &m.plan.Steps[i]
		m.planned[s.ID] = true
		if m.set.Only != "" && s.Point.Device != m.set.Only {
			continue
		}
		if l := m.lane(s.Link); l != nil {
			l.steps = append(l.steps, *s)
		}
	}
	for _, l := range m.lanes {
		m.keepOrDrop(l)
	}
}

// boundary returns when the plan must be made again even if nothing happens: where a window's state changes, and where
// a guard is decided, which is when its hold begins.
func (m *Machine) boundary() (next, decide time.Time) {
	now := m.now.Wall
	next = now.Add(planAgain)
	sooner := func(t time.Time) {
		if t.After(now) && t.Before(next) {
			next = t
		}
	}
	decide = next
	for i := range m.plan.Windows {
		w := &m.plan.Windows[i]
		for _, t := range []time.Time{w.LeadIn, w.Start, w.End, w.End.Add(keepSteps + time.Second)} {
			sooner(t)
		}
		if m.guards(w) {
			for j := range w.Claims {
				if t := w.Claims[j].From; t.After(now) && t.Before(decide) {
					decide = t
				}
			}
		}
	}
	sooner(decide)
	return next, decide
}

// guards reports whether any statement of the window has a guard.
func (m *Machine) guards(w *actions.PlannedWindow) bool {
	for s := range m.statements(w) {
		if s.Guard != nil {
			return true
		}
	}
	return false
}

// statements are those that make the window's holds.
func (m *Machine) statements(w *actions.PlannedWindow) func(yield func(*actions.Statement) bool) {
	return func(yield func(*actions.Statement) bool) {
		lists := [][]actions.Statement{w.Extra}
		if p := m.set.Premises.Procedure(w.Procedure); p != nil {
			lists = append(lists, p.LeadIn, p.During)
		}
		for _, list := range lists {
			for i := range list {
				if !yield(&list[i]) {
					return
				}
			}
		}
	}
}

// holdsNow reports whether the window has a hold on the point now, be it one that a hand has taken off it.
func (m *Machine) holdsNow(w *actions.PlannedWindow, ref actions.Ref) bool {
	for i := range w.Claims {
		if k := &w.Claims[i]; k.Point == ref && !m.now.Wall.Before(k.From) && m.now.Wall.Before(k.To) {
			return w.State != actions.Cancelled
		}
	}
	return false
}
