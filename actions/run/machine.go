package run

import (
	"context"
	"slices"
	"time"

	"spillway/actions"
	"spillway/actions/plan"
)

const (
	// wakeAtLeast bounds every sleep: clocks step and machines are suspended.
	wakeAtLeast = time.Minute
	// journalRetry is how soon a journal that could not be written is tried again.
	journalRetry = time.Second
	// keepSteps is how long the settled steps of a window stay in the standing after its end.
	keepSteps = time.Hour
)

// Settings are what a machine works by.
type Settings struct {
	Premises  *actions.Premises
	Journal   Journal
	Horizon   time.Duration
	Readiness time.Duration // points are read this long before a window
	Watch     bool          // plan and publish, send nothing
	Only      string        // send to this device alone; "" for all
}

// A Machine decides what to do: it is told what happened and what time it is, and answers with what it wants done. It
// starts no goroutine, knows no clock and does no I/O but writing the journal, so that a simulation can run it through
// every fault in one thread. It is not safe for concurrent use.
//
// The order inside one call is the promise of the whole program: what happened is journaled, the plan made again where it
// must be, what is to be sent is journaled as an intent, and only when that is durable does the machine ask for the send.
// A crash before the intent: nothing was sent. A crash after it: the next start counts the command as sent and lets the
// read-back decide.
type Machine struct {
	set      Settings
	standing actions.Standing // always what the journal has
	readings actions.Readings
	sessions map[actions.Ref]uint64
	taken    taking
	plan     *actions.Plan
	lanes    []*lane
	watch    watchlist
	hands    map[actions.Ref]suspicion
	troubles troubles

	facts     []actions.Entry // what happened, to be journaled; kept until it is
	intents   []*job          // what is to be sent once journaled
	effects   []Effect
	done      map[string]bool      // steps settled since the plan was made
	notBefore map[string]time.Time // steps that wait after a failed attempt
	backoff   map[string]time.Duration
	dirty     bool // the plan must be made again
	replanAt  time.Time
	recovered bool
	journalAt time.Time // when to try a journal that failed again; zero: it works
	changed   bool
}

// NewMachine returns a machine that stands where the journal says.
func NewMachine(set Settings) *Machine {
	m := &Machine{
		set:       set,
		standing:  set.Journal.Standing(),
		readings:  actions.Readings{},
		sessions:  map[actions.Ref]uint64{},
		taken:     newTaking(),
		hands:     map[actions.Ref]suspicion{},
		troubles:  troubles{},
		done:      map[string]bool{},
		notBefore: map[string]time.Time{},
		backoff:   map[string]time.Duration{},
		dirty:     true,
	}
	for i := range set.Premises.Links {
		m.lanes = append(m.lanes, &lane{link: &set.Premises.Links[i]})
	}
	m.watch = newWatchlist(set.Premises)
	return m
}

// Handle takes what happened up to now and returns what is to be done, and when to call again at the latest.
func (m *Machine) Handle(now time.Time, events ...Event) ([]Effect, time.Time) {
	m.effects = nil
	for _, e := range events {
		m.happened(now, e)
	}
	if m.clockBehind(now) {
		return m.finish(now.Add(wakeAtLeast / 4))
	}
	m.recover(now)
	m.pruneWindows(now)
	if !m.flush(now) {
		return m.finish(m.journalAt)
	}
	// Each round may settle steps without a command and so free a lane for the next; the plan bounds the rounds.
	for range 1000 {
		m.replan(now)
		for _, l := range m.lanes {
			m.advance(l, now)
		}
		if len(m.facts) == 0 && len(m.intents) == 0 {
			break
		}
		if !m.flush(now) {
			return m.finish(m.journalAt)
		}
	}
	m.readDue(now)
	return m.finish(m.wake(now))
}

func (m *Machine) finish(wake time.Time) ([]Effect, time.Time) {
	if m.changed {
		m.changed = false
		m.effects = append(m.effects, Changed{})
	}
	return m.effects, wake
}

func (m *Machine) happened(now time.Time, e Event) {
	switch e := e.(type) {
	case ReadDone:
		m.readDone(now, e)
	case WriteDone:
		m.writeDone(now, e)
	case Polled:
		m.polled(now, e)
	case GiveBack:
		m.giveBack(now, e)
	case StandDown:
		m.standDown(now, e.Window)
	}
}

// clockBehind reports whether the clock shows a time before the journal's newest entry: after a reset to the past, what
// is due cannot be told, so nothing is sent until the clock is right.
func (m *Machine) clockBehind(now time.Time) bool {
	newest := m.set.Journal.Newest()
	if !now.Before(newest) {
		m.clear("clock")
		return false
	}
	m.trouble(now, "clock", "clock", "the clock shows "+now.Format(time.RFC3339)+", before the journal's newest entry of "+
		newest.Format(time.RFC3339)+"; nothing is sent until it is right: set the clock")
	return true
}

// recover settles what an earlier run left open, once. An intent without an outcome counts as sent now: the spacing
// runs from here, and reading the point back decides whether it arrived.
func (m *Machine) recover(now time.Time) {
	if m.recovered {
		return
	}
	m.recovered = true
	for _, id := range sortedKeys(m.standing.Steps) {
		st := m.standing.Steps[id]
		if st.State == actions.Planned && st.Tries > 0 {
			m.fact(actions.Entry{Kind: actions.EntrySent, At: now, Step: st.Step,
				Note: "the program ended before the outcome was known; counted as sent at the next start"})
		}
	}
}

// flush journals the facts and intents of this round in one commit and, once that is durable, asks for the sends. It
// reports whether the journal could be written. If not, facts are kept, intents are taken back, and nothing is sent.
func (m *Machine) flush(now time.Time) bool {
	if len(m.facts) == 0 && len(m.intents) == 0 {
		return true
	}
	entries := m.facts
	for _, j := range m.intents {
		entries = append(entries, actions.Entry{Kind: actions.EntryIntent, At: now, Step: j.step, Tries: j.tries + 1})
	}
	if err := m.set.Journal.Write(context.Background(), entries...); err != nil {
		for _, j := range m.intents {
			j.stage, j.notBefore = waiting, now.Add(journalRetry)
		}
		m.intents = nil
		m.journalAt = now.Add(journalRetry)
		m.trouble(now, "journal", "journal", "nothing is sent, since the journal cannot be written: "+err.Error())
		return false
	}
	// Commit point. From here a crash finds the intents in the journal.
	m.clear("journal")
	m.journalAt = time.Time{}
	for _, e := range entries {
		m.standing.Apply(e)
	}
	for _, j := range m.intents {
		j.tries++
		m.effects = append(m.effects, Write{Link: j.step.Link, Step: j.step.ID, Try: j.tries, Point: j.point, Value: j.value, Timeout: j.link.Timeout})
	}
	m.facts, m.intents = nil, nil
	m.changed = true
	return true
}

func (m *Machine) fact(e actions.Entry) { m.facts = append(m.facts, e) }

// replan makes the plan again where something it depends on has changed, and drops the jobs it no longer wants.
func (m *Machine) replan(now time.Time) {
	if !m.dirty && now.Before(m.replanAt) {
		return
	}
	windows := m.windows(now)
	m.plan = plan.Make(plan.Input{
		Premises: m.set.Premises,
		Windows:  windows,
		Readings: m.readings,
		Standing: m.standing,
		Current:  m.plan,
		Now:      now,
		To:       now.Add(m.set.Horizon),
	})
	m.dirty, m.changed = false, true
	clear(m.done)
	m.replanAt = nextBoundary(m.plan, now)
	m.share(now)
	m.watch.want(m, now)
}

// share hands the plan's steps to the lanes.
func (m *Machine) share(now time.Time) {
	byLink := map[string][]actions.Step{}
	for _, s := range m.plan.Steps {
		if m.set.Only != "" && s.Point.Device != m.set.Only {
			continue
		}
		byLink[s.Link] = append(byLink[s.Link], s)
	}
	for _, l := range m.lanes {
		l.steps = byLink[l.link.Name]
		m.keepOrDrop(l, now)
	}
}

// nextBoundary returns when the plan must be made again even if nothing happens: guards are decided when their window
// begins, and states change there.
func nextBoundary(p *actions.Plan, now time.Time) time.Time {
	next := now.Add(time.Hour)
	for i := range p.Windows {
		w := &p.Windows[i]
		for _, t := range []time.Time{w.LeadIn, w.Start, w.End, w.End.Add(keepSteps + time.Second)} {
			if t.After(now) && t.Before(next) {
				next = t
			}
		}
	}
	return next
}

// wake returns when Handle must be called again at the latest.
func (m *Machine) wake(now time.Time) time.Time {
	next := now.Add(wakeAtLeast)
	for _, t := range []time.Time{m.replanAt, m.watch.next(now)} {
		if t.After(now) && t.Before(next) {
			next = t
		}
	}
	for _, l := range m.lanes {
		if t := m.laneWake(l, now); t.Before(next) {
			next = t
		}
	}
	return next
}

// pruneWindows forgets the steps of windows that are long over; the log keeps them.
func (m *Machine) pruneWindows(now time.Time) {
	if len(m.standing.Steps) == 0 {
		return
	}
	open := map[string]bool{}
	for _, w := range m.taken.all() {
		if now.Before(w.End.Add(keepSteps)) {
			open[w.ID] = true
		}
	}
	for _, p := range m.standing.Points {
		if p.Owed {
			open[p.Window] = true
		}
	}
	over := map[string]bool{}
	for _, st := range m.standing.Steps {
		if st.State.Over() && !open[st.Step.Window] && now.After(st.Settled.Add(keepSteps)) {
			over[st.Step.Window] = true
		}
	}
	for _, id := range sortedKeys(over) {
		m.fact(actions.Entry{Kind: actions.EntryWindowOver, At: now, Window: id})
	}
	for _, ref := range m.idleHands(open) {
		m.fact(actions.Entry{Kind: actions.EntryHandOver, At: now, Point: ref})
		m.dirty = true
	}
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
