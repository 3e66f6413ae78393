package run

import (
	"context"
	"maps"
	"slices"
	"time"

	"spillway/actions"
	"spillway/actions/link"
)

// leastLent is the shortest that a value is given to a box for, should the clock have stepped on meanwhile.
const leastLent = time.Second

// untilOf returns when the box is to end what the job asks for: as late as it can, but not long after the hold. What
// gives a point back is not lent.
func (m *Machine) untilOf(j *job) time.Time {
	lasts := j.point.Write.Lasts
	if lasts <= 0 || j.step.Release || j.step.Until.IsZero() {
		return time.Time{}
	}
	return actions.Earlier(m.now.Wall.Add(lasts), j.step.Until)
}

// prereadRenewal continues a renewal whose point has been read. It must not overwrite what a person has set: where the
// point shows another value the renewal waits until it is known whose that is.
func (m *Machine) prereadRenewal(l *lane, e ReadDone, known bool) {
	j := l.job
	switch {
	case known && !e.Value.Near(j.value, j.point.Tolerance):
		m.later(l, max(readAgain, j.link.Confirm))
		m.suspect(e)
		m.sessions[e.Ref] = e.Session
	case !known && link.ClassOf(e.Err) == link.Unreachable:
		m.tryLater(l, e.Err)
	default:
		j.read, j.stage = e.Value, waiting
	}
}

// noteLent remembers when a box ends what it was lent, by the time that really passes: clocks step, and the box has its own.
func (m *Machine) noteLent(j *job, e WriteDone) {
	switch {
	case j.until.IsZero():
		delete(m.lent, j.step.Point)
	case e.Err == nil:
		m.lent[j.step.Point] = e.Up + j.until.Sub(e.Wall)
		if j.asOf.Sub(m.asOf) >= clockSlack { // the clock was set back while it was sent
			m.mayEndNow(j.step.Point)
		}
	}
}

// clockSlack is by how much the clock may be slow without anybody having set it.
const clockSlack = time.Second

// seeClock notes how the clocks stand to each other. One that was set back may have been wrong before or be so now, and the
// machine may have slept meanwhile: when boxes end what they were lent nobody knows then. It may be now.
func (m *Machine) seeClock() {
	was := m.asOf
	m.asOf = m.now.Wall.Add(-m.now.Up)
	switch {
	case was.IsZero():
		m.recallSends()
		return
	case m.asOf.Sub(was) >= clockSlack:
		m.respeak()
		return
	case was.Sub(m.asOf) < clockSlack:
		return
	}
	for _, ref := range slices.SortedFunc(maps.Keys(m.lent), actions.Ref.Compare) {
		m.mayEndNow(ref)
	}
}

// mayEndNow records that a box may end what it was lent any time now: it is lent anew.
func (m *Machine) mayEndNow(ref actions.Ref) {
	m.lent[ref] = min(m.lent[ref], m.now.Up)
	if !m.standing.Points[ref].Owed {
		return
	}
	m.fact(actions.Entry{Kind: actions.EntrySooner, At: m.now.Wall, Point: ref, Until: m.now.Wall, Note: "the clock was set back"})
	m.dirty = true
}

// renewalSettled has the plan made again where it was made while the renewal was on its way: the next one has its id then.
func (m *Machine) renewalSettled(l *lane) {
	j := &l.job.step
	m.dirty = m.dirty || j.Renews && slices.ContainsFunc(l.steps, func(s actions.Step) bool { return s.ID == j.ID && s.At.After(j.At) })
}

// recallLent takes from the journal what boxes were lent before this start. Whatever the clock was then, none of it lasts for
// longer from now on than the box keeps a value.
func (m *Machine) recallLent() {
	for ref, st := range m.standing.Points {
		if st.Owed && !st.Until.IsZero() {
			left := st.Until.Sub(m.now.Wall)
			if p := m.set.Premises.Point(ref); p != nil && p.Write != nil {
				left = min(left, p.Write.Lasts)
			}
			m.lent[ref] = m.now.Up + left
		}
	}
}

// standingNow returns the standing for the planner: where the clock has stepped back since a value was lent, it ends at the
// box sooner than the journal has it.
func (m *Machine) standingNow() actions.Standing {
	s, own := m.standing, false
	for ref, up := range m.lent {
		p, ok := s.Points[ref]
		ends := m.now.Wall.Add(up - m.now.Up)
		if !ok || p.Until.Sub(ends) < time.Second {
			continue
		}
		if !own {
			s, own = m.standing.Clone(), true
		}
		p.Until = ends
		s.Points[ref] = p
	}
	return s
}

// ranOut reports whether what we set has ended at the box by now, since it was not renewed in time. Whatever the point
// shows then is no person's hand.
func (m *Machine) ranOut(p *actions.Point, st actions.PointStanding) bool {
	if p.Write == nil || p.Write.Lasts <= 0 || !st.Owed || st.Until.IsZero() {
		return false
	}
	up, known := m.lent[p.Ref]
	return !m.now.Wall.Before(st.Until) || known && m.now.Up >= up
}

// send gives one command to its link, with an end where it is to have one and the link can say so.
func (r *Runner) send(ctx context.Context, e Write) error {
	l := r.cfg.Links[e.Link]
	if lender, ok := l.(link.Lender); ok && !e.Until.IsZero() {
		left := max(e.Until.Sub(r.cfg.Clock.Now()), leastLent)
		return lender.Lend(ctx, e.Point, e.Value, link.Term{For: left, Until: e.Until})
	}
	return l.Write(ctx, e.Point, e.Value)
}
