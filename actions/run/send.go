package run

import (
	"fmt"
	"slices"
	"time"

	"spillway/actions"
	"spillway/actions/link"
)

const (
	confirmLooks = 20 // reads within one confirm
	leastLook    = 100 * time.Millisecond
	mostLook     = time.Second
	firstRetry   = time.Second
	mostBackoff  = 5 * time.Minute
	mostOffline  = 30 * time.Second
	readAgain    = 10 * time.Second // where a normal must be read before anything is held
)

const hadAlready = "it had the value already"

// preread continues a job whose point has been read before the send.
func (m *Machine) preread(l *lane, e ReadDone) {
	j := l.job
	known := e.Err == nil && e.Value.Known
	if !j.value.Known && j.step.Release {
		// The plan did not know the normal; the standing has it if we ever wrote the point.
		j.value = m.standing.Points[j.step.Point].Normal
	}
	switch {
	case j.step.Renews:
		m.prereadRenewal(l, e, known)
	case known && e.Value.Near(j.value, j.point.Tolerance) && !m.inFlight(j):
		m.sessions[e.Ref] = e.Session
		m.settleAlready(l, e.Value)
	case known:
		j.read, j.stage = e.Value, waiting
	case link.ClassOf(e.Err) == link.Unreachable && !j.step.Release:
		m.tryLater(l, e.Err)
	case m.normalKnown(j):
		j.stage = waiting
	default:
		// Without a normal nothing is held: reading is tried again, and others on the link go on meanwhile.
		m.trouble("normal "+j.step.Point.String(), j.step.Point.String(),
			fmt.Sprintf("its normal is not known, since it cannot be read (%v); nothing is held until it can", e.Err))
		m.later(l, max(readAgain, j.link.Confirm))
	}
}

// inFlight reports whether another value was sent to the job's point and never confirmed. That command may still arrive,
// or has and does not show yet: what the point reads as then proves nothing, and a command of our own must follow it.
func (m *Machine) inFlight(j *job) bool {
	p := m.standing.Points[j.step.Point]
	undone := (p.Resent || p.Ended) && p.Sent.IsZero() // by a reset or by itself, and nothing has been sent since
	return p.Owed && !p.Certain && !undone && p.Touched && p.Value != j.value && !m.broken.trustsReads
}

func (m *Machine) normalKnown(j *job) bool {
	p := m.standing.Points[j.step.Point]
	return j.point.Normal.Known || p.Hand.Known || p.Owed && p.Normal.Known
}

// settleAlready settles a step whose point has the value: nothing is written, and for a hold nothing is owed. The normal
// is recorded all the same, so that a later step of the window finds it.
func (m *Machine) settleAlready(l *lane, v actions.Value) {
	if normal := m.toCapture(l.job, v); normal.Known {
		m.fact(actions.Entry{Kind: actions.EntryNormal, At: m.now.Wall, Point: l.job.step.Point, Value: normal})
	}
	m.settle(l, actions.Confirmed, v, hadAlready)
}

// toCapture returns the point's normal where it must be recorded before the job's hold: the configured one, else what
// the point reads. Unknown where there is nothing to record: a point that is owed a restore is never captured again.
func (m *Machine) toCapture(j *job, read actions.Value) actions.Value {
	st := m.standing.Points[j.step.Point]
	switch {
	case st.Owed || st.Normal.Known:
		return actions.Value{}
	case j.point.Normal.Known:
		return j.point.Normal
	case j.step.Release:
		return j.value
	}
	return read
}

// prepare puts the intent of the lane's job into this round's commit.
func (m *Machine) prepare(l *lane) {
	j := l.job
	switch {
	case !m.wanted(l):
		l.job, m.dirty = nil, true
		return
	case !j.value.Known:
		m.trouble("normal "+j.step.Point.String(), j.step.Point.String(), "it is held and its normal is not known: configure its normal")
		m.later(l, m.growing(j.step.ID, firstRetry, mostBackoff))
		return
	case m.mustWait(j):
		m.later(l, shareLook)
		return
	}
	j.normal = m.toCapture(j, j.read)
	j.stage = writing
	j.step.Value = j.value
	j.until, j.asOf = m.untilOf(j), m.asOf
	m.intents = append(m.intents, j)
}

func (m *Machine) writeDone(e WriteDone) {
	l := m.lane(e.Link)
	if l == nil || l.job == nil || l.job.stage != writing || l.job.step.ID != e.Step || l.job.total != e.Try {
		return
	}
	j := l.job
	var class link.Class
	if e.Err != nil {
		class = link.ClassOf(e.Err)
	}
	if class == link.Unreachable {
		// Nothing left this machine: no try is used up and no spacing begins.
		m.fact(actions.Entry{Kind: actions.EntryUnsent, At: e.Wall, Step: j.step})
		j.tries--
		m.tryLater(l, e.Err)
		return
	}
	l.sent(e.Up)
	m.outdated[j.step.Point] = m.reads
	sent := actions.Entry{Kind: actions.EntrySent, At: e.Wall, Step: j.step, Until: j.until}
	if e.Err != nil {
		sent.Note = e.Err.Error()
	}
	if class == link.Refused || class == link.Impossible {
		sent.State = actions.Failed
	}
	if j.step.Renews && e.Err != nil {
		sent.Until = time.Time{}
	}
	m.fact(sent)
	m.noteLent(j, e)
	switch {
	case class == link.Impossible && !j.step.Release:
		m.fail(l, e.Err.Error())
	case class == link.Refused, class == link.Impossible, class != "" && (j.point.Read == nil || j.step.Renews):
		m.tryAgain(l, e.Err.Error())
	case j.point.Read == nil:
		m.settle(l, actions.Assumed, actions.Value{}, "")
	default:
		// Where there was no answer nobody knows whether it arrived; the read-back tells.
		j.stage, j.deadline, j.nextRead = confirming, e.Up+j.link.Confirm, e.Up
	}
}

// look reads the point back until it shows the value or the time for that is over.
func (m *Machine) look(l *lane) {
	j := l.job
	switch {
	case j.asked != 0:
	case m.now.Up >= j.deadline:
		m.tryAgain(l, "the read-back did not show the value within "+j.link.Confirm.String())
	case m.now.Up >= j.nextRead:
		j.nextRead = m.now.Up + min(max(j.link.Confirm/confirmLooks, leastLook), mostLook)
		m.ask(j)
	}
}

// tryAgain ends one try: the next comes when the spacing allows it, a restore for ever with growing pauses. What the plan
// no longer wants is not tried again.
func (m *Machine) tryAgain(l *lane, why string) {
	j := l.job
	switch {
	case !m.wanted(l):
		m.told("info", j.step.ID, fmt.Sprintf("%s = %s is not wanted any more: %s", j.step.Point, j.value, why))
		l.job, m.dirty = nil, true
	case j.step.Release:
		m.told("warn", j.step.ID, fmt.Sprintf("%s is not back at %s yet (try %d): %s", j.step.Point, j.value, j.total, why))
		m.trouble("restore "+j.step.Point.String(), j.step.Point.String(),
			fmt.Sprintf("not back at %s (try %d): %s; it is tried until it is", j.value, j.total, why))
		m.later(l, m.growing(j.step.ID, max(l.link.Spacing, firstRetry), mostBackoff))
	case j.tries >= l.link.Tries:
		m.fail(l, why)
	default:
		m.told("warn", j.step.ID, fmt.Sprintf("%s = %s, try %d of %d: %s", j.step.Point, j.value, j.tries, l.link.Tries, why))
		j.stage, j.asked = waiting, 0
		if j.point.Read != nil {
			j.stage = reading
		}
		j.notBefore = m.now.Up + firstRetry
	}
}

// tryLater puts off a step whose link cannot be reached.
func (m *Machine) tryLater(l *lane, err error) {
	m.trouble("link "+l.link.Name, l.link.Name, "cannot be reached: "+err.Error()+"; it is tried until it can")
	m.later(l, m.growing(l.job.step.ID, firstRetry, mostOffline))
}

// growing returns the pause before the next attempt of a step, doubling from first to most.
func (m *Machine) growing(id string, first, most time.Duration) time.Duration {
	d := min(max(first, 2*m.backoff[id]), most)
	m.backoff[id] = d
	return d
}

// later frees the lane and lets the step start again after d.
func (m *Machine) later(l *lane, d time.Duration) {
	m.notBefore[l.job.step.ID] = m.now.Up + d
	l.job = nil
}

// fail gives a hold's step up. Later statements of its window on the same device are skipped with it; others go on.
func (m *Machine) fail(l *lane, why string) {
	failed := l.job.step
	m.told("warn", failed.ID, fmt.Sprintf("%s = %s failed: %s", failed.Point, l.job.value, why))
	m.settle(l, actions.Failed, m.readings[failed.Point].Value, why)
	m.dirty = true
	if failed.Renews {
		return // the point still has its value: the plan has it renewed again
	}
	for _, s := range m.plan.Steps {
		if s.Window == failed.Window && s.Point.Device == failed.Point.Device && s.Phase != actions.PhaseRestore &&
			s.ID != failed.ID && !s.At.Before(failed.At) && !m.done[s.ID] {
			m.done[s.ID] = true
			m.fact(actions.Entry{Kind: actions.EntrySettled, At: m.now.Wall, Step: s, State: actions.Skipped,
				Note: "skipped, since " + failed.Point.String() + " could not be set"})
		}
	}
}

// settle ends the lane's job.
func (m *Machine) settle(l *lane, state actions.StepState, back actions.Value, note string) {
	j := l.job
	j.step.Value = j.value
	m.fact(actions.Entry{Kind: actions.EntrySettled, At: m.now.Wall, Step: j.step, State: state, ReadBack: back, Note: note})
	m.done[j.step.ID] = true
	if l.asksOther(j) {
		m.dirty = true
	}
	delete(m.notBefore, j.step.ID)
	delete(m.backoff, j.step.ID)
	delete(m.hands, j.step.Point)
	if state == actions.Confirmed || state == actions.Assumed {
		m.clear("link " + l.link.Name)
		m.clear("normal " + j.step.Point.String())
		m.clear("restore " + j.step.Point.String())
		m.clear("share " + j.step.Point.String())
		m.told("info", j.step.ID, fmt.Sprintf("%s = %s %s", j.step.Point, j.value, state))
	}
	m.renewalSettled(l)
	if note != hadAlready {
		l.pause = m.now.Up + j.step.Wait
	}
	l.job = nil
}

// asksOther reports whether the plan has come to another value for the job's step since it was sent: that is not done yet.
func (l *lane) asksOther(j *job) bool {
	return slices.ContainsFunc(l.steps, func(s actions.Step) bool { return s.ID == j.step.ID && s.Value.Known && s.Value != j.value })
}
