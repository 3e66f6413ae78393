package run

import (
	"slices"

	"spillway/actions"
)

// adopt takes note of a point that has the value a window holds it at by itself: the plan has no step for it. Nothing is
// written and nothing is owed, but its normal is recorded, and from then on a hand, a reset and what ended by itself are
// told apart as everywhere.
func (m *Machine) adopt(e ReadDone) {
	p := m.set.Premises.Point(e.Ref)
	if _, known := m.standing.Points[e.Ref]; known || p == nil || p.Write == nil || m.plan == nil || m.set.Watch || m.pending(e.Ref) {
		return
	}
	w, k := m.claim(e.Ref, func(k *actions.Claim) bool { return e.Value.Near(k.Value, p.Tolerance) && !e.At.Before(k.From) })
	if k == nil {
		return
	}
	normal := p.Normal
	if !normal.Known {
		normal = e.Value
	}
	m.fact(actions.Entry{Kind: actions.EntryNormal, At: m.now.Wall, Point: e.Ref, Value: normal})
	if _, done := m.standing.Steps[k.ID]; done {
		return
	}
	m.fact(actions.Entry{Kind: actions.EntrySettled, At: m.now.Wall, State: actions.Confirmed, ReadBack: e.Value, Note: hadAlready, Step: actions.Step{
		ID: k.ID, Window: w.ID, Phase: k.Phase, At: k.From, Due: k.From, Start: w.Start, Link: m.set.Premises.Device(e.Ref.Device).Link,
		Point: e.Ref, Value: k.Value, From: e.Value, Hold: k.ID, Procedure: w.Procedure, Why: "it had the value by itself",
	}})
}

// pending reports whether a step on the point is under way or comes soon.
func (m *Machine) pending(ref actions.Ref) bool {
	return m.busy(ref) || slices.ContainsFunc(m.plan.Steps, func(s actions.Step) bool {
		return s.Point == ref && !s.At.After(m.now.Wall.Add(beforeRead))
	})
}

// claim returns the first hold that is on the point now and fits; nil: none.
func (m *Machine) claim(ref actions.Ref, fits func(*actions.Claim) bool) (*actions.PlannedWindow, *actions.Claim) {
	for i := range m.plan.Windows {
		w := &m.plan.Windows[i]
		for j := range w.Claims {
			k := &w.Claims[j]
			if k.Point == ref && !k.Off && !m.now.Wall.Before(k.From) && m.now.Wall.Before(k.To) && fits(k) {
				return w, k
			}
		}
	}
	return nil, nil
}
