package run

import (
	"fmt"
	"time"

	"spillway/actions"
	"spillway/actions/link"
)

// A lane is one link's queue: at most one command is under way on it, from its first read to its confirmation.
type lane struct {
	link  *actions.Link
	steps []actions.Step // of the current plan, in order
	job   *job
	pause time.Time // a step's wait, after it was confirmed
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
	step      actions.Step
	point     *actions.Point
	link      *actions.Link
	value     actions.Value // what is sent: the step's, or the captured normal where the plan did not know it
	stage     stage
	tries     int
	notBefore time.Time
	asked     bool // a read is under way
	deadline  time.Time
	nextRead  time.Time
}

const (
	confirmLooks = 20 // reads within one confirm
	leastLook    = 100 * time.Millisecond
	mostLook     = time.Second
	firstRetry   = time.Second
	mostBackoff  = 5 * time.Minute
	mostOffline  = 30 * time.Second
)

// next returns the first step of the lane that may start now.
func (m *Machine) next(l *lane, now time.Time) (actions.Step, bool) {
	for _, s := range l.steps {
		if s.At.Add(-l.ahead()).After(now) {
			break
		}
		if !m.done[s.ID] && !m.notBefore[s.ID].After(now) {
			return s, true
		}
	}
	return actions.Step{}, false
}

// ahead is how long before it is due a step may be prepared: reading the point takes one exchange at the most.
func (l *lane) ahead() time.Duration { return min(l.link.Timeout, 10*time.Second) }

// keepOrDrop lets go of a job that the new plan does not want next, unless its command is under way.
func (m *Machine) keepOrDrop(l *lane, now time.Time) {
	j := l.job
	if j == nil || j.stage == writing || j.stage == confirming {
		return
	}
	if s, ok := m.next(l, now); ok && s.ID == j.step.ID && s.Value == j.step.Value {
		j.step = s
		return
	}
	l.job = nil
}

func (m *Machine) advance(l *lane, now time.Time) {
	if m.set.Watch {
		return
	}
	for l.job == nil {
		if now.Before(l.pause) {
			return
		}
		s, ok := m.next(l, now)
		if !ok {
			return
		}
		if l.job = m.newJob(l, s); l.job == nil {
			m.done[s.ID] = true
		}
	}
	switch j := l.job; j.stage {
	case reading:
		if !j.asked {
			j.asked = true
			m.ask(l.link, j.point)
		}
	case waiting:
		if !now.Before(m.sendAt(l)) {
			m.prepare(l, now)
		}
	case confirming:
		m.look(l, now)
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
	// What an earlier start tried counts, but one more try is always left.
	if st, ok := m.standing.Steps[s.ID]; ok && !st.State.Over() && st.Step.Value == s.Value {
		j.tries = min(st.Tries, max(0, l.link.Tries-1))
	}
	return j
}

// sendAt returns when the lane's job may be sent: when it is due, not before the link's spacing has passed since the
// end of the last send, and not before a retry's time.
func (m *Machine) sendAt(l *lane) time.Time {
	at := l.job.step.At
	if last := m.standing.Links[l.link.Name].LastSend; !last.IsZero() {
		at = latest(at, last.Add(l.link.Spacing))
	}
	return latest(at, l.job.notBefore)
}

func latest(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// read continues a job whose point has been read before the send.
func (m *Machine) preread(l *lane, now time.Time, v actions.Value, err error) {
	j := l.job
	j.asked = false
	known := err == nil && v.Known
	if known && j.value.Known && v.Near(j.value, j.point.Tolerance) {
		m.alreadyThere(l, now, v)
		return
	}
	if j.step.Release && !j.value.Known {
		// The plan did not know the normal; the standing has it if we ever wrote the point.
		j.value = m.standing.Points[j.step.Point].Normal
	}
	if known || m.normalKnown(j) {
		j.stage = waiting
		return
	}
	// Without a normal nothing is held: reading is tried again, and others on the link go on meanwhile.
	m.trouble(now, "normal "+j.step.Point.String(), j.step.Point.String(),
		fmt.Sprintf("its normal is not known, since it cannot be read (%v); nothing is held until it can", err))
	m.later(l, now.Add(max(10*time.Second, j.link.Confirm)))
}

func (m *Machine) normalKnown(j *job) bool {
	return j.point.Normal.Known || m.standing.Points[j.step.Point].Normal.Known
}

// alreadyThere settles a step whose point has the value: nothing is written, and for a hold nothing is owed. The normal is
// recorded all the same, so that a later step of the window finds it.
func (m *Machine) alreadyThere(l *lane, now time.Time, v actions.Value) {
	j := l.job
	if !j.step.Release {
		m.captureNormal(j, now, v)
	}
	m.settle(l, now, actions.Confirmed, v, "it had the value already")
}

// captureNormal records the point's normal before its first hold: the configured one, else what the point reads.
func (m *Machine) captureNormal(j *job, now time.Time, v actions.Value) {
	st := m.standing.Points[j.step.Point]
	if j.step.Release || st.Owed || st.Normal.Known {
		return
	}
	normal := v
	if j.point.Normal.Known {
		normal = j.point.Normal
	}
	if normal.Known {
		m.fact(actions.Entry{Kind: actions.EntryNormal, At: now, Point: j.step.Point, Value: normal})
	}
}

// prepare puts the intent of the lane's job into this round's commit.
func (m *Machine) prepare(l *lane, now time.Time) {
	j := l.job
	if !j.value.Known {
		m.settle(l, now, actions.Failed, actions.Value{}, "its normal was never known")
		return
	}
	m.captureNormal(j, now, m.readings[j.step.Point].Value)
	j.stage = writing
	j.step.Value = j.value
	m.intents = append(m.intents, j)
}

func (m *Machine) writeDone(now time.Time, e WriteDone) {
	l := m.lane(e.Link)
	if l == nil || l.job == nil || l.job.step.ID != e.Step || l.job.stage != writing {
		return
	}
	j := l.job
	class := link.Class("")
	if e.Err != nil {
		class = link.ClassOf(e.Err)
	}
	if class == link.Unreachable {
		// Nothing left this machine: no try is used up and no spacing begins.
		j.tries--
		m.tryLater(l, now, e.Err)
		return
	}
	sent := actions.Entry{Kind: actions.EntrySent, At: e.At, Step: j.step}
	if e.Err != nil {
		sent.Note = e.Err.Error()
	}
	m.fact(sent)
	switch class {
	case link.Impossible:
		m.fail(l, now, e.Err.Error())
	case link.Refused:
		m.tryAgain(l, now, e.Err.Error())
	default:
		if j.point.Read == nil {
			if class != "" {
				m.tryAgain(l, now, e.Err.Error())
				return
			}
			m.settle(l, now, actions.Assumed, actions.Value{}, "")
			return
		}
		j.stage, j.deadline, j.nextRead = confirming, e.At.Add(j.link.Confirm), e.At
	}
}

// look reads the point back until it shows the value or the time for that is over.
func (m *Machine) look(l *lane, now time.Time) {
	j := l.job
	if j.asked {
		return
	}
	if !now.Before(j.deadline) {
		m.tryAgain(l, now, "the read-back did not show the value within "+j.link.Confirm.String())
		return
	}
	if !now.Before(j.nextRead) {
		j.asked = true
		j.nextRead = now.Add(min(max(j.link.Confirm/confirmLooks, leastLook), mostLook))
		m.ask(l.link, j.point)
	}
}

// tryAgain ends one try: the next comes when the spacing allows it, a restore for ever with growing pauses.
func (m *Machine) tryAgain(l *lane, now time.Time, why string) {
	j := l.job
	if j.step.Release {
		m.told("warn", j.step.ID, fmt.Sprintf("%s is not back at %s yet (try %d): %s", j.step.Point, j.value, j.tries, why))
		m.trouble(now, "restore "+j.step.Point.String(), j.step.Point.String(),
			fmt.Sprintf("not back at %s after %d tries: %s; it is tried until it is", j.value, j.tries, why))
		m.later(l, now.Add(m.growing(j.step.ID, max(l.link.Spacing, firstRetry), mostBackoff)))
		return
	}
	if j.tries >= l.link.Tries {
		m.fail(l, now, why)
		return
	}
	m.told("warn", j.step.ID, fmt.Sprintf("%s = %s, try %d of %d: %s", j.step.Point, j.value, j.tries, l.link.Tries, why))
	j.stage, j.asked = waiting, false
	if j.point.Read != nil {
		j.stage = reading
	}
	j.notBefore = now.Add(firstRetry)
}

// tryLater puts off a step whose link cannot be reached.
func (m *Machine) tryLater(l *lane, now time.Time, err error) {
	j := l.job
	m.trouble(now, "link "+l.link.Name, l.link.Name, "cannot be reached: "+err.Error()+"; it is tried until it can")
	m.later(l, now.Add(m.growing(j.step.ID, firstRetry, mostOffline)))
}

// growing returns the pause before the next attempt of a step, doubling from first to most.
func (m *Machine) growing(id string, first, most time.Duration) time.Duration {
	d := min(max(first, 2*m.backoff[id]), most)
	m.backoff[id] = d
	return d
}

// later frees the lane and lets the step start again at t.
func (m *Machine) later(l *lane, t time.Time) {
	m.notBefore[l.job.step.ID] = t
	l.job = nil
}

// fail gives a hold's step up. Later statements of its window on the same device are skipped with it; others go on.
func (m *Machine) fail(l *lane, now time.Time, why string) {
	failed := l.job.step
	m.told("warn", failed.ID, fmt.Sprintf("%s = %s failed: %s", failed.Point, l.job.value, why))
	m.settle(l, now, actions.Failed, m.readings[failed.Point].Value, why)
	m.dirty = true
	for _, s := range m.plan.Steps {
		if s.Window == failed.Window && s.Point.Device == failed.Point.Device && s.Phase != actions.PhaseRestore &&
			s.ID != failed.ID && !s.At.Before(failed.At) && !m.done[s.ID] {
			m.done[s.ID] = true
			m.fact(actions.Entry{Kind: actions.EntrySettled, At: now, Step: s, State: actions.Skipped,
				Note: "skipped, since " + failed.Point.String() + " could not be set"})
		}
	}
}

// settle ends the lane's job.
func (m *Machine) settle(l *lane, now time.Time, state actions.StepState, back actions.Value, note string) {
	j := l.job
	j.step.Value = j.value
	m.fact(actions.Entry{Kind: actions.EntrySettled, At: now, Step: j.step, State: state, ReadBack: back, Note: note})
	m.done[j.step.ID] = true
	delete(m.notBefore, j.step.ID)
	delete(m.backoff, j.step.ID)
	delete(m.hands, j.step.Point)
	if state == actions.Confirmed || state == actions.Assumed {
		m.clear("link " + l.link.Name)
		m.clear("normal " + j.step.Point.String())
		m.clear("restore " + j.step.Point.String())
		m.told("info", j.step.ID, fmt.Sprintf("%s = %s %s", j.step.Point, j.value, state))
	}
	if note != "it had the value already" {
		l.pause = now.Add(j.step.Wait)
	}
	l.job = nil
}

func (m *Machine) lane(name string) *lane {
	for _, l := range m.lanes {
		if l.link.Name == name {
			return l
		}
	}
	return nil
}

func (m *Machine) ask(l *actions.Link, p *actions.Point) {
	m.effects = append(m.effects, Read{Link: l.Name, Point: p, Timeout: l.Timeout})
}

// laneWake returns when the lane wants to be looked at next.
func (m *Machine) laneWake(l *lane, now time.Time) time.Time {
	never := now.Add(wakeAtLeast)
	if m.set.Watch {
		return never
	}
	j := l.job
	if j == nil {
		for _, s := range l.steps {
			if !m.done[s.ID] {
				t := latest(latest(s.At.Add(-l.ahead()), m.notBefore[s.ID]), l.pause)
				if t.Before(never) {
					never = t
				}
			}
		}
		return never
	}
	switch j.stage {
	case waiting:
		return m.sendAt(l)
	case confirming:
		if !j.asked {
			if j.deadline.Before(j.nextRead) {
				return j.deadline
			}
			return j.nextRead
		}
	}
	return never
}
