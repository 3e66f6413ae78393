package run

import (
	"fmt"
	"slices"
	"time"

	"spillway/actions"
)

// A suspicion is a first read of a held point that shows another value than we set.
type suspicion struct {
	value   actions.Value
	up      time.Duration
	session uint64
}

// readDone takes a reading in, and hands it to the job that asked for it or to the watch for hands.
func (m *Machine) readDone(e ReadDone) {
	m.watch.answered(e.Ref, m.now.Up)
	asker := m.asker(e)
	if asker == nil && e.ID <= m.outdated[e.Ref] {
		return // asked before a command that has been sent since, or overtaken by a newer answer
	}
	m.outdated[e.Ref] = max(m.outdated[e.Ref], e.ID)
	old := m.readings[e.Ref]
	fresh := actions.Reading{Value: old.Value, At: old.At, Failed: true}
	if e.Err == nil && e.Value.Known {
		fresh = actions.Reading{Value: e.Value, At: e.At}
	}
	m.readings[e.Ref] = fresh
	m.reach(e, fresh.Failed)
	if fresh.Value != old.Value || fresh.Failed != old.Failed {
		switch {
		case m.watch.guards[e.Ref], m.watch.held[e.Ref] && !m.standing.Points[e.Ref].Owed && !m.standing.Points[e.Ref].Certain:
			m.dirty = true
		case m.watch.sums[e.Ref]:
			m.planSoon()
		}
	}
	if asker != nil {
		m.answered(asker, e)
		return
	}
	if e.Err == nil && e.Value.Known {
		m.adopt(e)
		m.suspect(e)
		m.sessions[e.Ref] = e.Session
	}
}

// asker returns the lane whose job asked for the reading.
func (m *Machine) asker(e ReadDone) *lane {
	for _, l := range m.lanes {
		if l.job != nil && l.job.asked != 0 && l.job.asked == e.ID {
			return l
		}
	}
	return nil
}

// busy reports whether a step is under way on the point.
func (m *Machine) busy(ref actions.Ref) bool {
	return slices.ContainsFunc(m.lanes, func(l *lane) bool { return l.job != nil && l.job.step.Point == ref })
}

// answered continues the job that asked.
func (m *Machine) answered(l *lane, e ReadDone) {
	j := l.job
	j.asked = 0
	switch j.stage {
	case reading:
		m.preread(l, e)
	case confirming:
		if e.Err == nil && e.Value.Near(j.value, j.point.Tolerance) {
			m.sessions[e.Ref] = e.Session
			m.settle(l, actions.Confirmed, e.Value, "")
		}
	}
}

// suspect compares a reading of a point with what we set. Another value on two reads at least `confirm` apart, in one
// unbroken conversation, is a person's hand: it stays. With a reconnect between it may be the box's own reset: the value
// is sent once more, and only then is it a hand. A late command of our own is neither.
func (m *Machine) suspect(e ReadDone) {
	st, known := m.standing.Points[e.Ref]
	p := m.set.Premises.Point(e.Ref)
	if !known || p == nil || m.busy(e.Ref) || m.strayed(e, st, p) || !st.Certain || !st.Value.Known {
		return
	}
	left := st.Hand.Known && !st.Owed // what a hand left: whatever follows is a hand's as well
	switch {
	case e.Value.Near(st.Value, p.Tolerance):
		delete(m.hands, e.Ref)
		return
	case m.ranOut(p, st):
		m.doubt(e, "reads "+e.Value.String()+", since what was set ended before it could be renewed", st.Until)
		return
	case !left && m.endsByItself(p) && e.Value.Near(m.normalOf(p, st), p.Tolerance):
		m.endedByItself(e, st)
		return
	case !left && e.Session != m.sessions[e.Ref] && !st.Resent:
		m.doubt(e, "reads "+e.Value.String()+" after a reconnect", time.Time{})
		return
	}
	first, seen := m.hands[e.Ref]
	if !seen || first.session != e.Session || !first.value.Near(e.Value, p.Tolerance) {
		m.hands[e.Ref] = suspicion{value: e.Value, up: m.now.Up, session: e.Session}
		return
	}
	if m.now.Up-first.up >= m.confirmOf(p) && !m.broken.forgetsHand {
		m.hand(e, st)
	}
}

// doubt has what we set sent once more; ended is when it ended by itself, zero where it did not.
func (m *Machine) doubt(e ReadDone, why string, ended time.Time) {
	m.fact(actions.Entry{Kind: actions.EntryDoubt, At: m.now.Wall, Point: e.Ref, Note: why, Until: ended})
	m.told("warn", e.Ref.String(), fmt.Sprintf("%s, not %s: it is sent once more", why, m.standing.Points[e.Ref].Value))
	delete(m.hands, e.Ref)
	m.dirty = true
}

// strayed reports whether the point shows a value of ours that was given up and has arrived after all. It is put right,
// once.
func (m *Machine) strayed(e ReadDone, st actions.PointStanding, p *actions.Point) bool {
	if !st.Stray.Known || !m.now.Wall.Before(st.StrayUntil) || !e.Value.Near(st.Stray, p.Tolerance) || e.Value.Near(st.Value, p.Tolerance) {
		return false
	}
	if st.Owed {
		m.doubt(e, "reads "+e.Value.String()+", which an earlier command asked for", time.Time{})
		return true
	}
	m.fact(actions.Entry{Kind: actions.EntryLate, At: m.now.Wall, Point: e.Ref, Note: "a command came late"})
	m.told("warn", e.Ref.String(), fmt.Sprintf("reads %s again, which an earlier command asked for: it is given back once more", e.Value))
	m.dirty = true
	return true
}

// hand records that the point keeps what it has: the holds of the windows on it now are off it, and what a hand left is
// the point's normal until no hold is left.
func (m *Machine) hand(e ReadDone, st actions.PointStanding) {
	holds := m.holdersOf(e.Ref, st)
	m.fact(actions.Entry{Kind: actions.EntryHand, At: m.now.Wall, Point: e.Ref, Value: e.Value, Holds: holds, Note: "a person set it"})
	m.told("note", e.Ref.String(), fmt.Sprintf("reads %s, not %s: a person set it, and it stays", e.Value, st.Value))
	delete(m.hands, e.Ref)
	m.dirty = true
}

// endedByItself records that a value ran its time at the device: its hold is off the point, and nothing is owed.
func (m *Machine) endedByItself(e ReadDone, st actions.PointStanding) {
	holds := slices.Clone(st.HandHold)
	if s, ok := m.standing.Steps[st.Step]; ok && s.Step.Hold != "" && !slices.Contains(holds, s.Step.Hold) {
		holds = append(holds, s.Step.Hold)
	}
	m.fact(actions.Entry{Kind: actions.EntryHand, At: m.now.Wall, Point: e.Ref, Value: e.Value, Holds: holds, Note: "it ended by itself"})
	m.told("info", e.Ref.String(), fmt.Sprintf("went from %s back to %s by itself", st.Value, e.Value))
	delete(m.hands, e.Ref)
	m.dirty = true
}

// holdersOf returns the windows that may hold the point now, and what a hand has taken it from already.
func (m *Machine) holdersOf(ref actions.Ref, st actions.PointStanding) []string {
	ids := slices.Clone(st.HandHold)
	add := func(id string) {
		if id != "" && !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	if st.Owed || !st.Hand.Known {
		add(st.Window)
	}
	for i := range m.plan.Windows {
		if w := &m.plan.Windows[i]; m.holdsNow(w, ref) {
			add(w.ID)
		}
	}
	return ids
}

// endsByItself reports whether the point's values other than its normal last only for a while.
func (m *Machine) endsByItself(p *actions.Point) bool {
	d := m.set.Premises.Device(p.Ref.Device)
	return p.Lasts > 0 || d != nil && d.Kind == actions.Tank && p.Value("on") != nil && p.Value("off") != nil
}

func (m *Machine) normalOf(p *actions.Point, st actions.PointStanding) actions.Value {
	switch {
	case st.Hand.Known:
		return st.Hand
	case p.Normal.Known:
		return p.Normal
	}
	return st.Normal
}

func (m *Machine) confirmOf(p *actions.Point) time.Duration {
	if d := m.set.Premises.Device(p.Ref.Device); d != nil {
		if l := m.set.Premises.Link(d.Link); l != nil {
			return l.Confirm
		}
	}
	return 0
}
