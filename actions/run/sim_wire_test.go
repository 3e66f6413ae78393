package run

import (
	"time"

	"spillway/actions"
	"spillway/actions/house"
	"spillway/actions/link"
)

// A wire is one link as the program meets it: exchanges take time, fail, and are cut off.
type wire struct {
	*world
	link    *actions.Link
	gateway bool // behind a broker: what was told last is read, and a command is not answered
	session uint64
	failed  bool // the box could not be reached when it was tried last
	down    time.Time
	flaky   time.Time // until then exchanges may end without an answer
}

func (w *wire) latency() time.Duration { return time.Duration(1+w.r.IntN(300)) * time.Millisecond }

// reached counts a conversation that was lost and found again.
func (w *wire) reached(ok bool) {
	if ok && w.failed {
		w.session++
	}
	w.failed = !ok
}

func unreachable() error {
	return &link.Error{Class: link.Unreachable, What: "nothing answers there"}
}

func noAnswer() error { return &link.Error{Class: link.Unknown, What: "no answer in time"} }

// A question is a read on its way, there and back.
type question struct {
	*wire
	Read
	done ReadDone
}

// read asks the box for a point.
func (w *wire) read(e Read) {
	q := &question{wire: w, Read: e, done: ReadDone{Ref: e.Point.Ref, ID: e.ID, Session: w.session}}
	w.in(w.latency(), q.asked)
}

func (q *question) asked() []Event {
	w := q.wire
	switch {
	case w.t.Before(w.down):
		w.reached(false)
		q.answer(w.latency(), actions.Value{}, unreachable())
	case w.t.Before(w.flaky) && w.r.IntN(3) == 0:
		q.answer(q.Timeout, actions.Value{}, noAnswer())
	default:
		q.ask()
	}
	return nil
}

func (q *question) ask() {
	w := q.wire
	v, a := w.site.Read(w.t, q.done.Ref)
	switch {
	case w.gateway && !a.OK():
		q.answer(0, actions.Value{}, &link.Error{Class: link.NotYet, What: "nothing heard"})
	case a.Status == 0:
		w.reached(false)
		q.answer(w.latency(), actions.Value{}, unreachable())
	case a.Delay > q.Timeout:
		q.answer(q.Timeout, actions.Value{}, noAnswer())
	default:
		w.reached(true)
		q.answer(a.Delay+w.latency(), v, nil)
	}
}

func (q *question) answer(d time.Duration, v actions.Value, err error) {
	q.done.Value, q.done.Err = v, err
	q.in(min(d, q.Timeout), q.answered)
}

func (q *question) answered() []Event {
	if q.done.Err == nil && q.done.Value.Known {
		q.check.shows(q.done.Ref, q.done.Value)
	}
	q.done.At = q.wall()
	return []Event{q.done}
}

// write sends a command. Once it is on its way it arrives whatever becomes of the program, or is lost with it.
func (w *wire) write(e Write) {
	life := w.life
	done := func(d time.Duration, err error) {
		w.push(min(d, e.Timeout), life, func() []Event {
			return []Event{WriteDone{Link: e.Link, Step: e.Step, Try: e.Try, Err: err, Tick: w.tick()}}
		})
	}
	if w.t.Before(w.down) {
		w.reached(false)
		done(w.latency(), unreachable())
		return
	}
	lasts := time.Duration(0)
	if !e.Until.IsZero() {
		lasts = e.Until.Sub(w.wall())
	}
	dies := w.r.IntN(2) == 0 // what has not left goes with the program
	w.always(w.latency()/3, func() []Event {
		if dies && w.life != life {
			w.note("   %s = %s never left", e.Point.Ref, e.Value)
			return nil
		}
		w.arrive(e, lasts, done)
		return nil
	})
}

func (w *wire) arrive(e Write, lasts time.Duration, done func(time.Duration, error)) {
	quiet := w.t.Before(w.flaky) && w.r.IntN(3) == 0
	if quiet && w.r.IntN(2) == 0 {
		done(e.Timeout, noAnswer()) // lost
		return
	}
	a := w.site.Lend(w.t, e.Point.Ref, e.Value, lasts)
	w.check.observe()
	switch {
	case quiet:
		done(e.Timeout, noAnswer())
	case w.gateway:
		done(w.latency(), nil)
	case a.Status == 0:
		w.reached(false)
		done(w.latency(), unreachable())
	case a.Delay > e.Timeout:
		done(e.Timeout, noAnswer())
	case !a.OK():
		w.reached(true)
		done(a.Delay+w.latency(), &link.Error{Class: link.Refused, What: a.Why})
	default:
		w.reached(true)
		done(a.Delay+w.latency(), nil)
	}
}

// restarts hears whether the broker threw its clients off, which is another conversation for both gateways.
func (w *world) restarts() {
	for _, m := range w.site.Drain() {
		if m.Topic == "" {
			for _, l := range []string{house.LinkBarn, house.LinkHouse} {
				w.wires[l].session++
				w.check.rejoined[l] = w.t
			}
		}
	}
}
