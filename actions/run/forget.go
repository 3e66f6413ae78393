package run

import (
	"maps"
	"slices"
	"strings"
	"time"

	"spillway/actions"
)

// tidyEvery is how often one looks for what can be forgotten, besides after each plan.
const tidyEvery = time.Minute

// overtakenNote is what the log says of a command that the plan gave up before it was confirmed.
const overtakenNote = "overtaken before it was confirmed"

// forget takes out of the standing what is over; the log keeps it. Before the feeds are heard nobody knows what is over.
func (m *Machine) forget() {
	if m.now.Up < m.tidyAt || !m.heard() {
		return
	}
	m.tidyAt = m.now.Up + tidyEvery
	m.forgetSteps()
	m.forgetPoints()
	for _, id := range sortedKeys(m.standing.Down) {
		if !m.now.Wall.Before(m.standing.Down[id]) {
			m.fact(actions.Entry{Kind: actions.EntryStandDown, At: m.now.Wall, Window: id})
			m.dirty = true
		}
	}
}

// forgetSteps forgets the settled steps of windows that are long over, and settles those that were overtaken before they
// could be confirmed.
func (m *Machine) forgetSteps() {
	if len(m.standing.Steps) == 0 {
		return
	}
	needs := m.keepsNeed()
	keep := func(window string) time.Duration {
		if needs[window] {
			return keepNeed
		}
		return keepSteps
	}
	open := map[string]bool{}
	for _, w := range m.taken.all() {
		open[w.ID] = m.now.Wall.Before(w.End.Add(keep(w.ID)))
	}
	for _, l := range m.lanes {
		if l.job != nil {
			open[l.job.step.Window] = true
		}
	}
	needed := m.stillNeeded(open)
	over, recent := map[string]bool{}, map[string]bool{}
	for _, id := range sortedKeys(m.standing.Steps) {
		st := m.standing.Steps[id]
		if open[st.Step.Window] || m.planned[id] {
			continue
		}
		last := st.Settled
		if last.IsZero() {
			last = st.Sent
		}
		if !m.now.Wall.After(last.Add(keep(st.Step.Window))) {
			recent[st.Step.Window] = true
			continue
		}
		if !needed[st.Step.Window] {
			over[st.Step.Window] = true
		}
		if !st.State.Over() {
			state, note := actions.Failed, overtakenNote
			if st.Sent.IsZero() {
				state, note = actions.Skipped, "the link could not be reached in time"
			}
			m.fact(actions.Entry{Kind: actions.EntrySettled, At: m.now.Wall, Step: st.Step, State: state, Note: note})
		}
	}
	for _, id := range sortedKeys(over) {
		if recent[id] {
			continue
		}
		m.fact(actions.Entry{Kind: actions.EntryWindowOver, At: m.now.Wall, Window: id})
	}
}

// keepsNeed returns the windows with steps on a device whose need is a figure: what it has taken is known by them.
func (m *Machine) keepsNeed() map[string]bool {
	list := map[string]bool{}
	for _, st := range m.standing.Steps {
		if d := m.set.Premises.Device(st.Step.Point.Device); d != nil && d.NeedWh > 0 && d.NeedPoint == "" {
			list[st.Step.Window] = true
		}
	}
	return list
}

// stillNeeded returns the windows whose steps cannot be forgotten yet, though they may be over: of those something is owed, or
// a hold of an open window, or of one that something is owed of, asked for one of their steps: where one window's hold ended
// and another's took over, the step is the first one's, and that it failed is known for as long as the second is on.
func (m *Machine) stillNeeded(open map[string]bool) map[string]bool {
	needed := map[string]bool{}
	for _, p := range m.standing.Points {
		if p.Owed {
			needed[p.Window] = true
		}
	}
	owed := maps.Clone(needed)
	for _, st := range m.standing.Steps {
		// A hold's id begins with its window's.
		if window, _, ok := strings.Cut(st.Step.Hold, "-"); ok && (open[window] || owed[window]) {
			needed[st.Step.Window] = true
		}
	}
	return needed
}

// forgetPoints forgets the points that nothing is owed on, once no hold is left on them: with it goes what a hand left,
// which was the point's normal until now, and a captured normal.
func (m *Machine) forgetPoints() {
	if m.plan == nil || m.dirty {
		return
	}
	var idle []actions.Ref
	for ref, st := range m.standing.Points {
		strays := st.Stray.Known && m.now.Wall.Before(st.StrayUntil)
		if !st.Owed && !strays && !m.heldNow(ref) && !m.handInDown(ref, st) && !m.busy(ref) {
			idle = append(idle, ref)
		}
	}
	slices.SortFunc(idle, actions.Ref.Compare)
	for _, ref := range idle {
		m.fact(actions.Entry{Kind: actions.EntryHandOver, At: m.now.Wall, Point: ref})
		delete(m.hands, ref)
		m.dirty = true
	}
}

// heldNow reports whether a window may hold the point now, be it one that a hand has taken it from.
func (m *Machine) heldNow(ref actions.Ref) bool {
	for i := range m.plan.Windows {
		if m.holdsNow(&m.plan.Windows[i], ref) {
			return true
		}
	}
	return false
}

// handInDown reports whether what a hand left is of a window that is on and stood down, for the point's device at least: should
// that be taken up again, it is still off the point.
func (m *Machine) handInDown(ref actions.Ref, st actions.PointStanding) bool {
	if !st.Hand.Known {
		return false
	}
	for _, hold := range st.HandHold {
		window, _, _ := strings.Cut(hold, "-")
		_, whole := m.standing.Down[window]
		_, part := m.standing.Down[window+"/"+ref.Device]
		if (whole || part) && slices.ContainsFunc(m.taken.all(), func(w actions.Window) bool { return w.ID == window && m.now.Wall.Before(w.End) }) {
			return true
		}
	}
	return false
}
