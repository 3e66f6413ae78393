package run

import (
	"context"
	"slices"
	"time"

	"spillway/actions"
)

const (
	// wakeAtLeast bounds every sleep: clocks step and machines are suspended.
	wakeAtLeast = time.Minute
	// behindLook is how soon a clock that is behind is looked at again.
	behindLook = 15 * time.Second
	// journalRetry is how soon a journal that could not be written is tried again.
	journalRetry = time.Second
	// hearWithin is how long after the start nothing is sent while a feed has not been heard of yet.
	hearWithin = 30 * time.Second
	// mostRounds bounds the rounds of one call; each settles a step at least, or makes the plan again.
	mostRounds = 10_000
)

// Settings are what a machine works by.
type Settings struct {
	Premises  *actions.Premises
	Journal   Journal
	Horizon   time.Duration
	Readiness time.Duration // points are read this long before a window
	Watch     bool          // plan and publish, send nothing
	Only      string        // send to this device alone; "" for all
	// HygieneDue says by device when its hygiene temperature is due again, of those of which it is known; nil: of none.
	HygieneDue func() map[string]time.Time
	Feeds      []string // nothing is sent before each of them has been heard of once, be it that it failed
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
	now      Tick             // of this call
	started  Tick             // of the first call
	standing actions.Standing // always what the journal has
	readings actions.Readings
	sessions map[actions.Ref]uint64
	taken    taking
	plan     *actions.Plan
	lanes    []*lane
	laneOf   map[string]*lane // by link
	watch    watchlist
	hands    map[actions.Ref]suspicion
	troubles troubles
	samples  sampler
	broken   breakage

	facts     []actions.Entry // what happened, to be journaled; kept, in order, until it is
	intents   []*job          // what is to be sent once journaled
	effects   []Effect
	planned   map[string]bool          // steps of the plan,
	done      map[string]bool          // and those settled since it was made
	notBefore map[string]time.Duration // steps that wait after a failed attempt: until this Up
	backoff   map[string]time.Duration
	lent      map[actions.Ref]time.Duration // by Up: when boxes end what they were lent in this run
	asOf      time.Time                     // what the wall clock shows of the Up 0
	reads     uint64                        // ids given to reads
	outdated  map[actions.Ref]uint64        // reads up to this one say nothing any more
	dirty     bool                          // the plan must be made again
	soonAt    time.Duration
	tidyAt    time.Duration // Up: when to look again for what can be forgotten
	replanAt  time.Time     // by the wall clock: when the plan must be made again
	decideAt  time.Time     // by the wall clock: when a guard must be decided; not before replanAt
	begun     bool
	recovered bool
	changed   bool
}

// NewMachine returns a machine that stands where the journal says.
func NewMachine(set Settings) *Machine {
	m := &Machine{
		set:       set,
		standing:  set.Journal.Standing(),
		readings:  actions.Readings{},
		sessions:  map[actions.Ref]uint64{},
		taken:     newTaking(set.Premises),
		hands:     map[actions.Ref]suspicion{},
		troubles:  troubles{},
		planned:   map[string]bool{},
		done:      map[string]bool{},
		notBefore: map[string]time.Duration{},
		backoff:   map[string]time.Duration{},
		lent:      map[actions.Ref]time.Duration{},
		outdated:  map[actions.Ref]uint64{},
		laneOf:    map[string]*lane{},
		dirty:     true,
	}
	for i := range set.Premises.Links {
		l := &lane{link: &set.Premises.Links[i]}
		m.lanes, m.laneOf[l.link.Name] = append(m.lanes, l), l
	}
	m.watch = newWatchlist(set.Premises)
	return m
}

// Handle takes what happened up to now and returns what is to be done, and how long it is until it must be called again
// at the latest.
func (m *Machine) Handle(now Tick, events ...Event) ([]Effect, time.Duration) {
	if !m.begun {
		m.begun, m.started = true, now
	}
	m.now, m.effects = now, nil
	m.seeClock()
	for _, e := range events {
		m.happened(e)
	}
	behind := m.clockBehind()
	if !behind {
		m.recover()
		m.forget()
	}
	if !m.flush() {
		return m.finish(journalRetry)
	}
	behind = behind || m.clockBehind() // of what could not be written before the clock was set back
	sends := !behind && m.heard() && !m.set.Watch
	if sends && m.planCanWait() {
		m.advanceAll()
		if sent := len(m.intents) > 0; !m.flush() {
			return m.finish(journalRetry)
		} else if sent {
			return m.finish(0)
		}
		if next := m.nextDue(); m.planCanWait() && next < m.planCost() {
			return m.finish(next)
		}
	}
	for range mostRounds {
		m.replan()
		if sends {
			m.advanceAll()
		}
		if len(m.facts) == 0 && len(m.intents) == 0 && !m.dirty {
			break
		}
		if !m.flush() {
			return m.finish(journalRetry)
		}
	}
	m.readDue()
	m.sample()
	if behind {
		return m.finish(behindLook)
	}
	return m.finish(m.wake())
}

func (m *Machine) advanceAll() {
	for _, l := range m.lanes {
		m.advance(l)
	}
}

func (m *Machine) finish(wait time.Duration) ([]Effect, time.Duration) {
	if m.changed {
		m.changed = false
		m.effects = append(m.effects, Changed{})
	}
	return m.effects, max(0, wait)
}

func (m *Machine) happened(e Event) {
	switch e := e.(type) {
	case ReadDone:
		m.readDone(e)
	case WriteDone:
		m.writeDone(e)
	case Polled:
		m.polled(e)
	case GiveBack:
		m.giveBack(e)
	case StandDown:
		m.standDown(e.Window)
	case TakeUp:
		m.takeUp(e.Window)
	}
}

// clockBehind reports whether the clock shows a time before the journal's newest entry: after a reset to the past, what
// is due cannot be told, so nothing is sent until the clock is right. What happens meanwhile is journaled all the same.
func (m *Machine) clockBehind() bool {
	newest := m.set.Journal.Newest()
	if !m.now.Wall.Before(newest) {
		m.clear("clock")
		return false
	}
	m.trouble("clock", "clock", "the clock shows "+m.now.Wall.Format(time.RFC3339)+", before the journal's newest entry of "+
		newest.Format(time.RFC3339)+"; nothing is sent until it is right: set the clock")
	return true
}

// heard reports whether every feed has been heard of since the start. Before that nobody knows whether a window that
// holds something is still on, and giving it back to take it again would be wrong.
func (m *Machine) heard() bool {
	if m.now.Up-m.started.Up >= hearWithin {
		return true
	}
	return !slices.ContainsFunc(m.set.Feeds, func(name string) bool { return !m.taken.heard[name] })
}

// recover settles what an earlier run left open, once. An intent without an outcome counts as sent now: the spacing
// runs from here, and reading the point back decides whether it arrived.
func (m *Machine) recover() {
	if m.recovered {
		return
	}
	m.recovered = true
	m.recallLent()
	for _, id := range sortedKeys(m.standing.Steps) {
		st := m.standing.Steps[id]
		if st.State != actions.Planned || st.Tries == 0 {
			continue
		}
		m.fact(actions.Entry{Kind: actions.EntrySent, At: m.now.Wall, Step: st.Step,
			Note: "the program ended before the outcome was known; counted as sent at the next start"})
		if l := m.lane(st.Step.Link); l != nil {
			l.sent(m.now.Up)
		}
	}
}

// flush journals the facts and intents of this round in one commit and, once that is durable, asks for the sends. It
// reports whether the journal could be written. If not, facts are kept, intents are taken back, and nothing is sent.
func (m *Machine) flush() bool {
	if len(m.facts) == 0 && len(m.intents) == 0 {
		return true
	}
	entries := slices.Clone(m.facts)
	for _, j := range m.intents {
		if j.normal.Known {
			entries = append(entries, actions.Entry{Kind: actions.EntryNormal, At: m.now.Wall, Point: j.step.Point, Value: j.normal})
		}
		entries = append(entries, actions.Entry{Kind: actions.EntryIntent, At: m.now.Wall, Step: j.step, Tries: j.total + 1})
	}
	if err := m.journal(entries); err != nil {
		for _, j := range m.intents {
			j.stage, j.notBefore = waiting, m.now.Up+journalRetry
		}
		m.intents = nil
		m.trouble("journal", "journal", "nothing is sent, since the journal cannot be written: "+err.Error())
		return false
	}
	// Commit point. From here a crash finds the intents in the journal.
	m.clear("journal")
	for _, e := range entries {
		m.standing.Apply(e)
	}
	for _, j := range m.intents {
		j.tries++
		j.total++
		m.effects = append(m.effects, Write{Link: j.step.Link, Step: j.step.ID, Try: j.total, Point: j.point, Value: j.value,
			Until: j.until, Timeout: j.link.Timeout})
	}
	m.facts, m.intents = nil, nil
	m.changed = true
	return true
}

func (m *Machine) journal(entries []actions.Entry) error {
	if m.broken.sendsFirst {
		entries = slices.DeleteFunc(entries, func(e actions.Entry) bool { return e.Kind == actions.EntryIntent })
	}
	return m.set.Journal.Write(context.Background(), entries...)
}

func (m *Machine) fact(e actions.Entry) { m.facts = append(m.facts, e) }

// wake returns how long it is until Handle must be called again at the latest.
func (m *Machine) wake() time.Duration {
	wait := min(wakeAtLeast, m.replanAt.Sub(m.now.Wall), m.watch.next(m.now.Up), m.samples.next(m.now.Up))
	if m.soonAt > 0 {
		wait = min(wait, m.soonAt-m.now.Up)
	}
	if m.set.Watch {
		return wait
	}
	for _, l := range m.lanes {
		wait = min(wait, m.laneWake(l))
	}
	if !m.heard() {
		wait = min(max(wait, time.Second), m.started.Up+hearWithin-m.now.Up)
	}
	return wait
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
