package run

import (
	"time"

	"spillway/actions"
	"spillway/actions/plan"
)

const (
	// keepSteps is how long the settled steps of a window stay in the standing after its end.
	keepSteps = time.Hour
	// planAgain is how often the plan is made again where nothing happens.
	planAgain = time.Hour
	// soon is how long news of levels and loads, which move all the time, may wait for a plan.
	soon = 30 * time.Second
)

// replan makes the plan again where something it depends on has changed, and drops the jobs it no longer wants.
func (m *Machine) replan() {
	now := m.now.Wall
	stepped := m.plan != nil && now.Before(m.plan.At)
	if !m.dirty && !stepped && now.Before(m.replanAt) && (m.soonAt == 0 || m.now.Up < m.soonAt) {
		return
	}
	m.plan = plan.Make(plan.Input{
		Premises: m.set.Premises,
		Windows:  m.windows(),
		Readings: m.readings,
		Standing: m.standing,
		Current:  m.plan,
		Now:      now,
		To:       now.Add(m.set.Horizon),
	})
	m.dirty, m.soonAt, m.changed = false, 0, true
	clear(m.done)
	m.replanAt = m.boundary()
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
	byLink := map[string][]actions.Step{}
	clear(m.planned)
	for _, s := range m.plan.Steps {
		m.planned[s.ID] = true
		if m.set.Only != "" && s.Point.Device != m.set.Only {
			continue
		}
		byLink[s.Link] = append(byLink[s.Link], s)
	}
	for _, l := range m.lanes {
		l.steps = byLink[l.link.Name]
		m.keepOrDrop(l)
	}
}

// boundary returns when the plan must be made again even if nothing happens: where a window's state changes, and where
// a guard is decided, which is when its hold begins.
func (m *Machine) boundary() time.Time {
	now := m.now.Wall
	next := now.Add(planAgain)
	sooner := func(t time.Time) {
		if t.After(now) && t.Before(next) {
			next = t
		}
	}
	for i := range m.plan.Windows {
		w := &m.plan.Windows[i]
		for _, t := range []time.Time{w.LeadIn, w.Start, w.End, w.End.Add(keepSteps + time.Second)} {
			sooner(t)
		}
		if m.guards(w) {
			for j := range w.Claims {
				sooner(w.Claims[j].From)
			}
		}
	}
	return next
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
