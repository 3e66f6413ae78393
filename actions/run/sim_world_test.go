package run

import (
	"context"
	"fmt"
	"math/rand/v2"
	"time"

	"spillway/actions"
	"spillway/actions/house"
	"spillway/actions/journal/journaltest"
)

// A world is the simulated premises with a calendar, a clock, a disk and the program under test. Everything in it comes
// from one seed and runs in one thread, so that a run can be had again exactly.
//
// True time only goes forward. The program sees true time plus skew as its wall clock; its Up stands still while the
// machine is suspended.
type world struct {
	*spec
	r     *rand.Rand // latencies and the like
	site  *house.Site
	disk  *journaltest.Disk
	wires map[string]*wire
	feed  *calendar

	t     time.Time // true time
	skew  time.Duration
	zone  *time.Location // of the machine
	slept time.Duration

	m         *Machine // nil: the program does not run
	journal   *record
	life      int       // of the program; answers to an earlier one are lost
	wakeAt    time.Time // true time
	sleeping  time.Time // suspended until then; zero: it is not
	killer    killer
	lastFault journaltest.Fault // of the last write to the disk

	queue  happenings
	heard  []Event // room for what one turn brings
	seq    int
	broken breakage
	check  *checker
	story  *story
}

type happening struct {
	at   time.Time
	seq  int
	life int // 0: whatever program runs then
	do   func() []Event
}

// Happenings are a heap, the next on top. container/heap would box each of them, and a world has a thousand an hour.
type happenings []happening

func (h happenings) before(i, j int) bool {
	c := h[i].at.Compare(h[j].at)
	return c < 0 || c == 0 && h[i].seq < h[j].seq
}

func (h *happenings) push(x happening) {
	q := append(*h, x)
	for i := len(q) - 1; i > 0; {
		above := (i - 1) / 2
		if !q.before(i, above) {
			break
		}
		q[i], q[above] = q[above], q[i]
		i = above
	}
	*h = q
}

func (h *happenings) pop() happening {
	q := *h
	top, n := q[0], len(q)-1
	q[0], q[n] = q[n], happening{}
	q = q[:n]
	for i := 0; ; {
		least := i
		for below := 2*i + 1; below <= 2*i+2 && below < n; below++ {
			if q.before(below, least) {
				least = below
			}
		}
		if least == i {
			break
		}
		q[i], q[least] = q[least], q[i]
		i = least
	}
	*h = q
	return top
}

// newWorld makes the world of a spec and starts the program in it.
func newWorld(s *spec, b breakage, told bool) *world {
	site, err := house.NewSite(s.start, s.seed%workshopSeeds, s.levels)
	if err != nil {
		panic(err)
	}
	if s.workshop != nil {
		site.AddWorkshop(*s.workshop)
	}
	w := &world{spec: s, r: rand.New(rand.NewPCG(s.seed, 0x0a7e)), site: site, disk: &journaltest.Disk{}, t: s.start, zone: time.UTC, broken: b,
		wires: map[string]*wire{}, story: &story{on: told}}
	w.disk.Fault = w.diskFault
	for i := range s.premises.Links {
		l := &s.premises.Links[i]
		w.wires[l.Name] = &wire{world: w, link: l, gateway: l.Name == house.LinkBarn || l.Name == house.LinkHouse, session: 1}
	}
	w.feed = newCalendar(w)
	w.check = newChecker(w)
	for _, m := range s.mishaps {
		w.always(m.at.Sub(s.start), func() []Event {
			w.note("!! %s", m.what)
			m.do(w)
			return nil
		})
	}
	w.boot()
	return w
}

func (w *world) wall() time.Time { return w.t.Add(w.skew).In(w.zone) }
func (w *world) tick() Tick      { return Tick{Wall: w.wall(), Up: w.t.Sub(w.start) - w.slept} }

func (w *world) note(format string, args ...any) {
	if w.story.on {
		w.story.add(w.t, w.skew, fmt.Sprintf(format, args...))
	}
}

// boot starts the program.
func (w *world) boot() {
	j, err := w.disk.Open()
	if err != nil {
		panic(err)
	}
	w.life++
	w.journal = &record{Crash: j, world: w, newest: j.Newest()}
	w.m = NewMachine(Settings{Premises: w.known(), Journal: w.journal, Horizon: 48 * time.Hour, Readiness: 3 * time.Hour, Watch: w.watch,
		Feeds: []string{feedName}})
	w.m.broken = w.broken
	w.m.taken.hasty = w.broken.hasty
	w.wakeAt = w.t
	w.check.booted()
	w.note("== the program starts (%d)", w.life)
	w.feed.begin()
}

// kill ends the program at once; it starts again after down. What it had not sent yet is lost where unsent says so.
func (w *world) kill(why string, down time.Duration, power bool) {
	if w.m == nil {
		return
	}
	// What is on its way arrives before a program can be up again.
	down = max(down, 400*time.Millisecond)
	w.note("== the program is killed: %s; back in %s", why, down)
	w.m = nil
	w.life++
	w.killer = killer{}
	w.disk.Cut(w.r.IntN(2) == 0)
	w.check.killed(power)
	w.always(down, func() []Event {
		if w.m == nil {
			w.boot()
		}
		return nil
	})
}

// in has something happen to the program that runs now, after d.
func (w *world) in(d time.Duration, do func() []Event) { w.push(d, w.life, do) }

// always has something happen after d whatever program runs then.
func (w *world) always(d time.Duration, do func() []Event) { w.push(d, 0, do) }

func (w *world) push(d time.Duration, life int, do func() []Event) {
	w.seq++
	w.queue.push(happening{at: w.t.Add(d), seq: w.seq, life: life, do: do})
}

// run goes on until the true time end.
func (w *world) run(end time.Time) {
	for turns := 0; len(w.check.bad) == 0; turns++ {
		if turns > 2_000_000 {
			w.check.fail("the program never rests")
			return
		}
		next := end
		if w.m != nil && w.sleeping.IsZero() && w.wakeAt.Before(next) {
			next = w.wakeAt
		}
		if len(w.queue) > 0 && w.queue[0].at.Before(next) {
			next = w.queue[0].at
		}
		if next.After(w.t) {
			w.t = next
		}
		if w.workshop != nil || !w.site.Still(w.t) { // the workshop's levels are looked at each time
			w.site.Advance(w.t)
		}
		w.check.observe()
		if !w.t.Before(end) {
			return
		}
		w.turn()
	}
}

// turn does what is due, and lets the program handle what it hears of it.
func (w *world) turn() {
	events := w.heard[:0]
	for len(w.queue) > 0 && !w.queue[0].at.After(w.t) {
		h := w.queue.pop()
		switch {
		case h.life != 0 && h.life != w.life:
		case h.life != 0 && !w.sleeping.IsZero():
			w.push(w.sleeping.Sub(w.t), h.life, h.do)
		default:
			life := w.life
			got := h.do()
			if life == w.life {
				events = append(events, got...)
			} else {
				events = events[:0] // it was killed meanwhile
			}
		}
	}
	w.heard = events
	if w.m == nil || !w.sleeping.IsZero() || len(events) == 0 && w.wakeAt.After(w.t) {
		return
	}
	if w.killer.now(beforeOutcome, events) {
		w.kill("before it hears of an outcome", w.killer.down, false)
		return
	}
	w.handle(events)
}

func (w *world) handle(events []Event) {
	w.check.hears(events)
	cuts := w.disk.Cuts()
	effects, wait := w.m.Handle(w.tick(), events...)
	if w.disk.Cuts() != cuts {
		w.kill("the power is cut while it writes", w.killer.down, true)
		return
	}
	w.check.planned(w.m.plan)
	w.wakeAt = w.t.Add(max(wait, time.Millisecond))
	for _, e := range effects {
		w.perform(e)
		if w.m == nil {
			return
		}
	}
}

func (w *world) perform(e Effect) {
	switch e := e.(type) {
	case Read:
		w.wires[e.Link].read(e)
	case Write:
		if w.killer.now(beforeSend, nil) {
			w.kill("between the journal and the send of "+e.Step, w.killer.down, false)
			return
		}
		w.check.sends(e)
		w.note("   sends %s: %s = %s (try %d)", e.Step, e.Point.Ref, e.Value, e.Try)
		w.wires[e.Link].write(e)
		if w.killer.now(afterSend, nil) {
			w.kill("between the send of "+e.Step+" and its outcome", w.killer.down, false)
		}
	case Told:
		w.note("   says [%s] %s: %s", e.Level, e.Where, e.What)
	}
}

// A killer waits for an instant between two acts of the program.
type killer struct {
	at   string // which kind of instant; "" for none
	skip int    // how many of them pass first
	down time.Duration
}

const (
	beforeSend    = "before a send"
	afterSend     = "after a send"
	beforeOutcome = "before an outcome"
)

func (k *killer) now(at string, events []Event) bool {
	if k.at != at {
		return false
	}
	if at == beforeOutcome && !outcome(events) {
		return false
	}
	k.skip--
	return k.skip < 0
}

func outcome(events []Event) bool {
	for _, e := range events {
		if _, ok := e.(WriteDone); ok {
			return true
		}
	}
	return false
}

// A record is the journal that the program writes; the checker reads along.
type record struct {
	*journaltest.Crash
	world  *world
	newest time.Time // of Crash: it is asked for at each turn, and changes with a write alone
}

// Newest returns the time of the newest entry.
func (j *record) Newest() time.Time { return j.newest }

// Write passes the entries on, and tells the checker of those that are kept.
func (j *record) Write(ctx context.Context, entries ...actions.Entry) error {
	err := j.Crash.Write(ctx, entries...)
	j.newest = j.Crash.Newest()
	if err != nil {
		j.world.note("   journal: %s", err)
		return err
	}
	for _, e := range entries {
		j.world.check.writes(e)
	}
	return nil
}

// diskFault decides what happens to a write; it is drawn by a mishap.
func (w *world) diskFault(_ int, entries []actions.Entry) journaltest.Fault {
	f := w.lastFault
	if f == journaltest.None {
		return f
	}
	for _, e := range entries {
		if e.Kind == actions.EntryIntent || e.Kind == actions.EntrySettled || e.Kind == actions.EntrySent {
			w.lastFault = journaltest.None
			return f
		}
	}
	return journaltest.None
}
