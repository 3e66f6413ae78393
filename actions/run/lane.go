package run

import (
	"slices"
	"time"

	"spillway/actions"
	"spillway/actions/plan"
)

// A lane is one link's queue: at most one command is under way on it, from its first read to its confirmation.
type lane struct {
	link  *actions.Link
	steps []actions.Step // of the current plan, in order
	job   *job
	pause time.Duration // Up until which a step's wait lasts, after it was confirmed

	spoke  bool          // it is known when the last send ended by the time that really passes:
	sentAt time.Duration // then, by Up
}

// sent notes the end of a send.
func (l *lane) sent(up time.Duration) {
	if !l.spoke || up > l.sentAt {
		l.spoke, l.sentAt = true, up
	}
}

type stage int

const (
	reading    stage = iota // the point is read, so that nothing is written that it already has
	waiting                 // until it is due and the spacing allows it
	writing                 // intent journaled, the send is under way
	confirming              // until the read-back shows the value
)

// A job is one step on its way.
type job struct {
	step   actions.Step
	point  *actions.Point
	link   *actions.Link
	value  actions.Value // what is sent: the step's, or the captured normal where the plan did not know it
	normal actions.Value // to be journaled with the intent; unknown: nothing is captured
	read   actions.Value // what the point read as before the send; unknown: nobody knows
	until  time.Time     // when the box is to end the value by itself; zero: it is given no end
	asOf   time.Time     // the machine's, when it was sent
	stage  stage

	tries     int           // those that count against the link's
	total     int           // those in the journal
	notBefore time.Duration // Up
	asked     uint64        // the read that is under way; 0: none
	deadline  time.Duration // Up
	nextRead  time.Duration // Up
}

// next returns the first step of the lane that may start now.
func (m *Machine) next(l *lane) (actions.Step, bool) {
	for i := range l.steps {
		if s := &l.steps[i]; s.At.Add(-l.ahead()).After(m.now.Wall) {
			break
		}
		if wait, ok := m.startIn(l, i); !ok || wait > 0 {
			continue
		}
		if m.overtaken(l, i) {
			m.dirty = true
			continue
		}
		return l.steps[i], true
	}
	return actions.Step{}, false
}

// startIn returns how long it is until the lane's step number i may be begun; ok is false where that is not a matter of
// time, but of another step.
func (m *Machine) startIn(l *lane, i int) (wait time.Duration, ok bool) {
	s := &l.steps[i]
	if m.done[s.ID] || m.waits(s) || m.outOfTurn(l, i) || m.renewsNothing(s) {
		return 0, false
	}
	return max(s.At.Sub(m.now.Wall)-l.ahead(), m.notBefore[s.ID]-m.now.Up), true
}

// waits reports whether a step that makes room for s, or must come before it, is not confirmed yet. A point is given back
// all the same once it has waited for long enough.
func (m *Machine) waits(s *actions.Step) bool {
	if s.Release && s.Phase == actions.PhaseRestore && m.now.Wall.Sub(s.Due) >= plan.MostRebound {
		return false
	}
	return slices.ContainsFunc(s.After, func(id string) bool { return m.planned[id] && !m.done[id] })
}

// renewsNothing reports whether a renewal is of a value that has not been sent yet: it changes nothing in the standing, so
// that what it set would not be owed.
func (m *Machine) renewsNothing(s *actions.Step) bool {
	st := m.standing.Points[s.Point]
	return s.Renews && (!st.Owed || st.Value != s.Value)
}

// outOfTurn reports whether a restore must let an earlier one of its device go first: a device may refuse to have one
// setting put back once another has been. It waits until the earlier one's tries are used up, as statements do.
func (m *Machine) outOfTurn(l *lane, i int) bool {
	s := &l.steps[i]
	if !s.Release {
		return false
	}
	for j := range l.steps[:i] {
		e := &l.steps[j]
		if !e.Release || e.Point.Device != s.Point.Device || m.done[e.ID] {
			continue
		}
		if m.waits(e) || m.notBefore[e.ID] > m.now.Up && m.standing.Steps[e.ID].Tries < l.link.Tries {
			return true
		}
	}
	return false
}

// overtaken reports whether a later step on the same point is due by now, or done already, so that this one is not to be sent any more:
// a hold ends when it must, however late it was begun. The plan that still has both is an old one.
func (m *Machine) overtaken(l *lane, i int) bool {
	if !m.plan.At.Before(m.now.Wall) {
		return false
	}
	for j := i + 1; j < len(l.steps); j++ {
		if s := &l.steps[j]; s.Point == l.steps[i].Point {
			return !s.At.After(m.now.Wall) || !s.Due.IsZero() && !s.Due.After(m.now.Wall) // the spacing may hold it back
		}
	}
	return false
}

// wanted reports whether the plan still asks for what the job does, and now: a window that was moved keeps its steps' ids.
func (m *Machine) wanted(l *lane) bool {
	for i := range l.steps {
		if s := &l.steps[i]; s.ID == l.job.step.ID && !m.done[s.ID] {
			return !s.Due.After(m.now.Wall) && (s.Value == l.job.step.Value || s.Value == l.job.value) && !m.overtaken(l, i)
		}
	}
	return false
}

// ahead is how long before it is due a step may be prepared: reading the point takes one exchange at the most.
func (l *lane) ahead() time.Duration { return min(l.link.Timeout, 10*time.Second) }

// keepOrDrop lets go of a job that the new plan does not want next, unless its command is under way.
func (m *Machine) keepOrDrop(l *lane) {
	j := l.job
	if j == nil || j.stage == writing || j.stage == confirming {
		return
	}
	if s, ok := m.next(l); ok && s.ID == j.step.ID && s.Value == j.step.Value {
		j.step = s
		return
	}
	l.job = nil
}

// advance takes the lane as far as it goes now.
func (m *Machine) advance(l *lane) {
	for l.job == nil {
		if m.now.Up < l.pause {
			return
		}
		s, ok := m.next(l)
		if !ok {
			return
		}
		if l.job = m.newJob(l, s); l.job == nil {
			m.done[s.ID] = true
		}
	}
	switch j := l.job; j.stage {
	case reading:
		if j.asked == 0 {
			m.ask(j)
		}
	case waiting:
		if m.sendIn(l) <= 0 {
			m.prepare(l)
		}
	case confirming:
		m.look(l)
	}
}

func (m *Machine) newJob(l *lane, s actions.Step) *job {
	p := m.set.Premises.Point(s.Point)
	if p == nil || p.Write == nil {
		return nil
	}
	j := &job{step: s, point: p, link: l.link, value: s.Value, stage: waiting}
	if p.Read != nil {
		j.stage = reading
	}
	if st, ok := m.standing.Steps[s.ID]; ok {
		j.total = st.Tries
		// What an earlier start tried counts, but one more try is always left.
		if !st.State.Over() && st.Step.Value == s.Value {
			j.tries = min(st.Tries, max(0, l.link.Tries-1))
		}
	}
	return j
}

// sendIn returns how long it is until the lane's job may be sent: when it is due, not before the link's spacing has
// passed since the end of the last send, and not before a retry's time. Zero or less: now.
func (m *Machine) sendIn(l *lane) time.Duration {
	return max(l.job.step.At.Sub(m.now.Wall), m.quiet(l), l.job.notBefore-m.now.Up)
}

// recallSends takes from the journal how long ago the last sends were, as the run begins: from then on only the time that
// really passes counts. Where the clock was set back since, nobody knows; quiet takes the start of the run then.
func (m *Machine) recallSends() {
	for _, l := range m.lanes {
		if last := m.standing.Links[l.link.Name].LastSend; !last.IsZero() && !last.After(m.now.Wall) && m.now.Wall.Sub(last) < l.link.Spacing {
			l.sent(m.now.Up - m.now.Wall.Sub(last))
		}
	}
}

// respeak records by the clock that was set forward when the last sends were, where their spacing still lasts: else a restart
// would take it for over.
func (m *Machine) respeak() {
	for _, l := range m.lanes {
		if l.spoke && m.quiet(l) > 0 {
			m.fact(actions.Entry{Kind: actions.EntrySpoke, At: m.now.Wall, Until: m.now.Wall.Add(l.sentAt - m.now.Up), Step: actions.Step{Link: l.link.Name},
				Note: "the clock was set forward"})
		}
	}
}

// quiet returns how much of the link's spacing is left. The wall clock tells it only across a restart, and may have
// stepped since: what this run knows to have passed counts in any case.
func (m *Machine) quiet(l *lane) time.Duration {
	spacing := l.link.Spacing
	if m.broken.noSpacing {
		spacing = 0
	}
	if l.spoke {
		return l.sentAt + spacing - m.now.Up
	}
	last := m.standing.Links[l.link.Name].LastSend
	if last.IsZero() {
		return 0
	}
	return min(last.Add(spacing).Sub(m.now.Wall), m.started.Up+spacing-m.now.Up)
}

// lane returns the lane of a link; nil where there is none of that name.
func (m *Machine) lane(name string) *lane { return m.laneOf[name] }

// ask reads the job's point.
func (m *Machine) ask(j *job) {
	m.reads++
	j.asked = m.reads
	m.effects = append(m.effects, Read{ID: j.asked, Link: j.link.Name, Point: j.point, Timeout: j.link.Timeout})
}

// laneWake returns how long it is until the lane wants to be looked at next.
func (m *Machine) laneWake(l *lane) time.Duration {
	wait := wakeAtLeast
	if l.job == nil {
		for i := range l.steps {
			if l.steps[i].At.Sub(m.now.Wall)-l.ahead() >= wait {
				break
			}
			if in, ok := m.startIn(l, i); ok {
				wait = min(wait, max(in, l.pause-m.now.Up))
			}
		}
		return wait
	}
	switch j := l.job; j.stage {
	case waiting:
		return min(wait, m.sendIn(l))
	case confirming:
		if j.asked == 0 {
			return min(wait, j.deadline-m.now.Up, j.nextRead-m.now.Up)
		}
	}
	return wait
}
