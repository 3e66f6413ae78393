package run

import (
	"container/heap"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"spillway/actions"
	"spillway/actions/link"
)

// A world is a simulated premises: devices behind gateways, a feed, a clock and a journal that forgets what was not
// synced. Everything in it comes from one seed, and it runs in one thread, so a run can be had again exactly.
type world struct {
	rand     *rand.Rand
	now      time.Time
	premises *actions.Premises
	boxes    map[string]*box // by link
	journal  *memJournal
	machine  *Machine
	wake     time.Time
	queue    happenings
	seq      int
	epoch    int // of the machine: answers to an earlier one are lost
	windows  []actions.Window
	gone     []string
	story    []string
	broken   []string // promises broken, found while running
	watch    bool
}

// A box is one gateway with its points.
type box struct {
	link     *actions.Link
	values   map[actions.Ref]actions.Value
	arrived  time.Time // of the last command
	session  uint64
	offUntil time.Time // unreachable until then
	loseNext int       // commands to lose
	lieUntil time.Time // read-backs show what was before
	lies     map[actions.Ref]actions.Value
	taken    []command
}

type command struct {
	at    time.Time
	ref   actions.Ref
	value actions.Value
}

type happening struct {
	at    time.Time
	seq   int
	epoch int
	do    func() []Event
}

type happenings []happening

func (h happenings) Len() int { return len(h) }
func (h happenings) Less(i, j int) bool {
	return h[i].at.Before(h[j].at) || h[i].at.Equal(h[j].at) && h[i].seq < h[j].seq
}
func (h happenings) Swap(i, j int) { h[i], h[j] = h[j], h[i] }
func (h *happenings) Push(x any)   { *h = append(*h, x.(happening)) }
func (h *happenings) Pop() any {
	old := *h
	x := old[len(old)-1]
	*h = old[:len(old)-1]
	return x
}

func newWorld(seed uint64, p *actions.Premises, start time.Time, normals map[actions.Ref]actions.Value) *world {
	w := &world{rand: rand.New(rand.NewPCG(seed, 1)), now: start, premises: p, boxes: map[string]*box{}, journal: newMemJournal()}
	for i := range p.Links {
		w.boxes[p.Links[i].Name] = &box{link: &p.Links[i], values: map[actions.Ref]actions.Value{}, session: 1, lies: map[actions.Ref]actions.Value{}}
	}
	for ref, v := range normals {
		w.box(ref).values[ref] = v
	}
	w.start()
	return w
}

func (w *world) box(ref actions.Ref) *box { return w.boxes[w.premises.Device(ref.Device).Link] }

func (w *world) note(format string, args ...any) {
	w.story = append(w.story, w.now.Format("15:04:05.000 ")+fmt.Sprintf(format, args...))
}

// start begins a new machine from the journal, as after a crash or at first.
func (w *world) start() {
	w.epoch++
	w.machine = NewMachine(Settings{Premises: w.premises, Journal: w.journal, Horizon: 48 * time.Hour, Readiness: 3 * time.Hour, Watch: w.watch})
	w.wake = w.now
	w.poll(true)
}

func (w *world) poll(good bool) {
	ws := append([]actions.Window(nil), w.windows...)
	w.in(0, func() []Event {
		return []Event{Polled{Feed: "house", Good: good, Windows: ws, Cancelled: w.gone, Events: len(ws)}}
	})
}

// in has something happen after d; what is meant for a machine that is gone by then is lost.
func (w *world) in(d time.Duration, do func() []Event) {
	w.seq++
	heap.Push(&w.queue, happening{at: w.now.Add(d), seq: w.seq, epoch: w.epoch, do: do})
}

// always has something happen after d whatever machine runs then.
func (w *world) always(d time.Duration, do func() []Event) {
	w.seq++
	heap.Push(&w.queue, happening{at: w.now.Add(d), seq: w.seq, epoch: -1, do: do})
}

// run goes on until the time t.
func (w *world) run(t time.Time) {
	for turns := 0; ; turns++ {
		if turns > 2_000_000 {
			w.broken = append(w.broken, "the machine never rests")
			return
		}
		next := w.wake
		if len(w.queue) > 0 && w.queue[0].at.Before(next) {
			next = w.queue[0].at
		}
		if next.After(t) {
			w.now = t
			return
		}
		if next.After(w.now) {
			w.now = next
		}
		var events []Event
		for len(w.queue) > 0 && !w.queue[0].at.After(w.now) {
			h := heap.Pop(&w.queue).(happening)
			if h.epoch == -1 || h.epoch == w.epoch {
				events = append(events, h.do()...)
			}
		}
		w.handle(events)
	}
}

func (w *world) handle(events []Event) {
	effects, wait := w.machine.Handle(w.tick(), events...)
	w.wake = w.now.Add(wait)
	if wait <= 0 {
		w.wake = w.now.Add(time.Millisecond)
	}
	for _, e := range effects {
		switch e := e.(type) {
		case Read:
			w.read(e)
		case Write:
			w.write(e)
		case Told:
			w.note("%s: %s", e.Where, e.What)
		}
	}
}

func (w *world) latency() time.Duration { return time.Duration(1+w.rand.IntN(400)) * time.Millisecond }

func (w *world) read(e Read) {
	b := w.boxes[e.Link]
	w.in(w.latency(), func() []Event {
		done := ReadDone{Ref: e.Point.Ref, ID: e.ID, At: w.now, Session: b.session}
		switch v, lied := b.lies[e.Point.Ref]; {
		case w.now.Before(b.offUntil):
			done.Err = &link.Error{Class: link.Unreachable, What: "the box is off"}
		case lied && w.now.Before(b.lieUntil):
			done.Value = v
		default:
			done.Value = b.values[e.Point.Ref]
		}
		return []Event{done}
	})
}

func (w *world) write(e Write) {
	b := w.boxes[e.Link]
	if st, ok := w.journal.durable.Steps[e.Step]; !ok || st.Tries < e.Try {
		w.broken = append(w.broken, fmt.Sprintf("%s was sent before its intent was durable", e.Step))
	}
	if w.now.Before(b.offUntil) {
		w.in(w.latency(), func() []Event {
			return []Event{WriteDone{Link: e.Link, Step: e.Step, Try: e.Try, Err: &link.Error{Class: link.Unreachable, What: "the box is off"}, Tick: w.tick()}}
		})
		return
	}
	// The command is on its way whatever becomes of the program.
	w.always(time.Duration(w.rand.IntN(100))*time.Millisecond, func() []Event { b.take(w, e.Point.Ref, e.Value); return nil })
	w.in(time.Duration(100+w.rand.IntN(100))*time.Millisecond, func() []Event {
		return []Event{WriteDone{Link: e.Link, Step: e.Step, Try: e.Try, Tick: w.tick()}}
	})
}

// take is a command arriving at the box.
func (b *box) take(w *world, ref actions.Ref, v actions.Value) {
	if gap := w.now.Sub(b.arrived); !b.arrived.IsZero() && gap < b.link.Spacing {
		w.broken = append(w.broken, fmt.Sprintf("%s: %s = %s came %s after the last command", w.now.Format("15:04:05"), ref, v, gap))
	}
	b.arrived = w.now
	b.taken = append(b.taken, command{w.now, ref, v})
	if b.loseNext > 0 {
		b.loseNext--
		w.note("%s = %s is lost on the way", ref, v)
		return
	}
	w.note("%s = %s arrives", ref, v)
	if _, lying := b.lies[ref]; !lying {
		b.lies[ref] = b.values[ref]
	}
	b.values[ref] = v
}

// memJournal keeps a standing in memory; what was written is durable at once unless full is set.
type memJournal struct {
	durable actions.Standing
	newest  time.Time
	full    bool
	log     []actions.Entry
}

func newMemJournal() *memJournal { return &memJournal{durable: actions.NewStanding()} }

func (j *memJournal) Write(_ context.Context, entries ...actions.Entry) error {
	if j.full {
		return errors.New("the disk is full")
	}
	for _, e := range entries {
		j.durable.Apply(e)
		j.newest = latest(j.newest, e.At)
		j.log = append(j.log, e)
	}
	return nil
}

func (j *memJournal) Standing() actions.Standing { return j.durable.Clone() }
func (j *memJournal) Newest() time.Time          { return j.newest }

func (w *world) tale() string { return strings.Join(w.story, "\n") }

func (w *world) tick() Tick { return Tick{Wall: w.now, Up: w.now.Sub(clock("2026-01-01 00:00"))} }

func latest(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}
