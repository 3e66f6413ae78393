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
	at      time.Time
	session uint64
}

// readDone takes a reading in, and hands it to the job that waits for it or to the watch for hands.
func (m *Machine) readDone(now time.Time, e ReadDone) {
	m.watch.answered(e.Ref, now)
	old := m.readings[e.Ref]
	if e.Err != nil || !e.Value.Known {
		m.readings[e.Ref] = actions.Reading{Value: old.Value, At: old.At, Failed: true}
	} else {
		m.readings[e.Ref] = actions.Reading{Value: e.Value, At: e.At}
	}
	if fresh := m.readings[e.Ref]; m.watch.decides(e.Ref) && (fresh.Value != old.Value || fresh.Failed != old.Failed) {
		m.dirty = true
	}
	if l := m.jobOf(e.Ref); l != nil && l.job.asked {
		m.answered(l, now, e)
		return
	}
	if e.Err == nil && e.Value.Known {
		m.suspect(now, e)
		m.sessions[e.Ref] = e.Session
	}
}

func (m *Machine) jobOf(ref actions.Ref) *lane {
	for _, l := range m.lanes {
		if l.job != nil && l.job.step.Point == ref {
			return l
		}
	}
	return nil
}

// answered continues the job that asked.
func (m *Machine) answered(l *lane, now time.Time, e ReadDone) {
	j := l.job
	j.asked = false
	switch j.stage {
	case reading:
		m.preread(l, now, e.Value, e.Err)
	case confirming:
		if e.Err == nil && e.Value.Near(j.value, j.point.Tolerance) {
			m.sessions[e.Ref] = e.Session
			m.settle(l, now, actions.Confirmed, e.Value, "")
		}
	}
}

// suspect compares a reading of a held point with what we set. Another value on two reads at least `confirm` apart, in
// one unbroken conversation, is a person's hand: it stays. With a reconnect between it may be the box's own reset: the
// value is sent once more, and only then is it a hand.
func (m *Machine) suspect(now time.Time, e ReadDone) {
	st, held := m.standing.Points[e.Ref]
	p := m.set.Premises.Point(e.Ref)
	if !held || p == nil || !st.Certain || st.Hand.Known || !st.Value.Known || m.releasing(e.Ref) {
		return
	}
	if e.Value.Near(st.Value, p.Tolerance) {
		delete(m.hands, e.Ref)
		return
	}
	if m.endsByItself(p) && e.Value.Near(m.normalOf(p, st), p.Tolerance) {
		m.hand(now, e, "it went back to its normal by itself", st)
		return
	}
	if e.Session != m.sessions[e.Ref] && !st.Resent {
		m.fact(actions.Entry{Kind: actions.EntryDoubt, At: now, Point: e.Ref, Note: "the box was reset"})
		m.told("warn", e.Ref.String(), fmt.Sprintf("reads %s after a reconnect, not %s: it is sent once more", e.Value, st.Value))
		delete(m.hands, e.Ref)
		m.dirty = true
		return
	}
	first, seen := m.hands[e.Ref]
	if !seen || first.session != e.Session || !first.value.Near(e.Value, p.Tolerance) {
		m.hands[e.Ref] = suspicion{value: e.Value, at: e.At, session: e.Session}
		return
	}
	if e.At.Sub(first.at) >= m.confirmOf(p) {
		m.hand(now, e, "a person set it", st)
	}
}

// hand records that the point keeps what it has: the holds of the windows on it now are off it, and what a hand left is
// the point's normal until no hold is left.
func (m *Machine) hand(now time.Time, e ReadDone, why string, st actions.PointStanding) {
	m.fact(actions.Entry{Kind: actions.EntryHand, At: now, Point: e.Ref, Value: e.Value, Holds: m.holdersOf(e.Ref, now, st.Window), Note: why})
	m.told("note", e.Ref.String(), fmt.Sprintf("reads %s, not %s: %s, and it stays", e.Value, st.Value, why))
	delete(m.hands, e.Ref)
	m.dirty = true
}

// holdersOf returns the windows that may hold the point now.
func (m *Machine) holdersOf(ref actions.Ref, now time.Time, holder string) []string {
	ids := []string{}
	if holder != "" {
		ids = append(ids, holder)
	}
	for i := range m.plan.Windows {
		w := &m.plan.Windows[i]
		if w.ID != holder && !now.Before(w.LeadIn) && now.Before(w.End) && m.names(w.Procedure, ref) {
			ids = append(ids, w.ID)
		}
	}
	return ids
}

// names reports whether a procedure has a statement on the point.
func (m *Machine) names(procedure string, ref actions.Ref) bool {
	p := m.set.Premises.Procedure(procedure)
	if p == nil {
		return false
	}
	on := func(s actions.Statement) bool { return s.Point == ref }
	return slices.ContainsFunc(p.LeadIn, on) || slices.ContainsFunc(p.During, on)
}

// idleHands returns the points a hand was on whose windows are all over.
func (m *Machine) idleHands(open map[string]bool) []actions.Ref {
	var refs []actions.Ref
	for ref, st := range m.standing.Points {
		if st.Hand.Known && !st.Owed && !slices.ContainsFunc(st.HandHold, func(id string) bool { return open[id] }) {
			refs = append(refs, ref)
		}
	}
	slices.SortFunc(refs, actions.Ref.Compare)
	return refs
}

func (m *Machine) endsByItself(p *actions.Point) bool {
	d := m.set.Premises.Device(p.Ref.Device)
	return p.Lasts > 0 || d != nil && d.Kind == actions.Tank && p.Value("on") != nil && p.Value("off") != nil
}

func (m *Machine) normalOf(p *actions.Point, st actions.PointStanding) actions.Value {
	if p.Normal.Known {
		return p.Normal
	}
	return st.Normal
}

func (m *Machine) releasing(ref actions.Ref) bool {
	l := m.jobOf(ref)
	return l != nil
}

func (m *Machine) confirmOf(p *actions.Point) time.Duration {
	if d := m.set.Premises.Device(p.Ref.Device); d != nil {
		if l := m.set.Premises.Link(d.Link); l != nil {
			return l.Confirm
		}
	}
	return 0
}
