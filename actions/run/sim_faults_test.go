package run

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"spillway/actions"
	"spillway/actions/house"
	"spillway/actions/journal/journaltest"
)

// drawMishaps draws what goes wrong: nothing at all in one world of eight, hands alone in another, else up to eight things
// near the moments that matter.
func (s *spec) drawMishaps(r *rand.Rand) {
	n, kinds := 1+r.IntN(8), allMishaps
	switch r.IntN(8) {
	case 0:
		n = 0
	case 1:
		n, kinds = 1+r.IntN(2), []func(*spec, *rand.Rand) mishap{(*spec).drawHand}
	case 2:
		n, kinds = 1+r.IntN(3), gentle
	}
	for range n {
		s.add(kinds[r.IntN(len(kinds))](s, r))
	}
}

func (s *spec) add(m mishap) {
	m.at = later(m.at, s.start)
	s.mishaps = append(s.mishaps, m)
}

// gentle mishaps touch neither the devices nor what is asked of them.
var gentle = []func(*spec, *rand.Rand) mishap{(*spec).drawKill, (*spec).drawCut, (*spec).drawFeed, (*spec).drawSleep}

var allMishaps = []func(*spec, *rand.Rand) mishap{
	(*spec).drawKill, (*spec).drawKill, (*spec).drawCut, (*spec).drawFull,
	(*spec).drawBox, (*spec).drawBox, (*spec).drawBox, (*spec).drawBox, (*spec).drawBox,
	(*spec).drawDown, (*spec).drawHand, (*spec).drawHand, (*spec).drawPlug,
	(*spec).drawFeed, (*spec).drawFeed, (*spec).drawEdit, (*spec).drawEdit, (*spec).drawEdit,
	(*spec).drawStep, (*spec).drawSleep, (*spec).drawGiveBack,
}

// restartIn draws how long the program is gone: mostly for a moment.
func restartIn(r *rand.Rand) time.Duration {
	switch r.IntN(4) {
	case 0:
		return time.Duration(r.IntN(20)) * time.Minute
	case 1:
		return time.Duration(r.IntN(60)) * time.Second
	}
	return time.Duration(200+r.IntN(3000)) * time.Millisecond
}

// drawKill is a SIGKILL at an instant, or between two acts.
func (s *spec) drawKill(r *rand.Rand) mishap {
	down, at := restartIn(r), s.moment(r)
	if r.IntN(3) == 0 {
		return mishap{at, "a kill is coming", func(w *world) { w.kill("now", down, false) }}
	}
	k := killer{at: []string{beforeSend, afterSend, beforeOutcome}[r.IntN(3)], skip: r.IntN(3), down: down}
	return mishap{at, fmt.Sprintf("a kill is coming %s, after %d", k.at, k.skip), func(w *world) { w.killer = k }}
}

// drawCut is a power cut: while the journal is written, or after a sync that failed.
func (s *spec) drawCut(r *rand.Rand) mishap {
	down, at := restartIn(r), s.moment(r)
	f := []journaltest.Fault{journaltest.CutBefore, journaltest.CutTorn, journaltest.CutAfter, journaltest.RefusedKept}[r.IntN(4)]
	soon := time.Duration(r.IntN(2500)) * time.Millisecond
	return mishap{at, fmt.Sprintf("a power cut is coming (%d)", f), func(w *world) {
		w.lastFault, w.killer.down = f, down
		if f == journaltest.RefusedKept {
			w.always(soon, func() []Event { w.kill("the power is cut", down, true); return nil })
		}
		if r.IntN(3) == 0 && w.feed.older != nil {
			w.feed.saved = w.feed.older
		}
	}}
}

// drawFull is a disk that is full for a while.
func (s *spec) drawFull(r *rand.Rand) mishap {
	d := time.Duration(1+r.IntN(900)) * time.Second
	return mishap{s.moment(r), fmt.Sprintf("the disk is full for %s", d), func(w *world) {
		w.disk.Full(true)
		w.check.disturbed("disk", d)
		w.always(d, func() []Event { w.disk.Full(false); w.note("!! the disk has room"); return nil })
	}}
}

// drawBox is one of the ways in which boxes get in the way, or a few commands of it.
func (s *spec) drawBox(r *rand.Rand) mishap {
	within := func(least, most time.Duration) time.Duration {
		return least + time.Duration(r.Int64N(int64(most-least)))
	}
	c := s.settings[r.IntN(len(s.settings))]
	link := s.premises.Device(c.ref.Device).Link
	f := house.Fault{Link: link}
	switch r.IntN(7) {
	case 0:
		f.Kind, f.Count = house.Lose, 1+r.IntN(3)
	case 1:
		// Sooner than confirm, after which a command counts as lost; a later one is found by its stray value.
		f.Kind, f.By, f.Count = house.Late, within(time.Second, 12*time.Second), 1+r.IntN(2)
	case 2:
		f.Kind, f.By, f.Count = house.Twice, within(time.Second, 12*time.Second), 1+r.IntN(2)
	case 3:
		f.Kind, f.By, f.For = house.Slow, within(time.Second, 25*time.Second), within(time.Minute, 10*time.Minute)
	case 4:
		f.Kind, f.For = house.Offline, within(time.Minute, 40*time.Minute)
		if r.IntN(6) == 0 {
			f.For = within(time.Hour, 3*time.Hour)
		}
	case 5:
		f.Kind, f.For = house.Reboot, within(10*time.Second, 2*time.Minute)
	case 6:
		f.Kind, f.Point, f.For = house.Lie, c.ref, within(20*time.Second, 5*time.Minute)
	}
	if f.Count > 0 {
		f.For = within(5*time.Minute, 40*time.Minute) // what was not hit by then is spared
	}
	m := mishap{at: s.moment(r)}
	m.what = fmt.Sprintf("%s on %s %s for %s by %s count %d", f.Kind, f.Link, f.Point, f.For, f.By, f.Count)
	m.do = func(w *world) { w.inject(f) }
	return m
}

// strike has something happen to the premises now.
func (w *world) strike(f house.Fault) {
	w.site.Advance(w.t)
	f.At = w.t
	if err := w.site.Inject(f); err != nil {
		panic(err)
	}
}

func (w *world) inject(f house.Fault) {
	w.strike(f)
	w.check.boxFault(f)
	w.check.observe()
}

// drawDown is a link that cannot be reached, or that answers now and then.
func (s *spec) drawDown(r *rand.Rand) mishap {
	l := s.premises.Links[r.IntN(len(s.premises.Links))].Name
	d := time.Duration(5+r.IntN(1200)) * time.Second
	if r.IntN(5) == 0 {
		d *= 8
	}
	return s.down(r, l, d)
}

func (s *spec) down(r *rand.Rand, l string, d time.Duration) mishap {
	flaky := r.IntN(2) == 0
	return mishap{s.moment(r), fmt.Sprintf("the way to %s is down (flaky: %t) for %s", l, flaky, d), func(w *world) {
		if flaky {
			w.wires[l].flaky = w.t.Add(d)
		} else {
			w.wires[l].down = w.t.Add(d)
		}
		w.check.disturbed(l, d)
	}}
}

// drawHand is a person at a device.
func (s *spec) drawHand(r *rand.Rand) mishap {
	c := s.settings[r.IntN(len(s.settings))]
	v := c.values[r.IntN(len(c.values))]
	return mishap{s.moment(r), fmt.Sprintf("a hand sets %s = %s", c.ref, v), func(w *world) {
		w.check.byHand(c.ref, v)
		w.strike(house.Fault{Kind: house.ByHand, Point: c.ref, Value: v})
		w.check.observe()
	}}
}

func (s *spec) drawPlug(r *rand.Rand) mishap {
	v := []string{"no", "yes"}[r.IntN(2)]
	return mishap{s.moment(r), "the van: plugged " + v, func(w *world) {
		w.strike(house.Fault{Kind: house.Plug, Value: actions.Named(v)})
	}}
}

// drawFeed is a feed that fails, empties or flaps for a while.
func (s *spec) drawFeed(r *rand.Rand) mishap {
	mode := []feedMode{failing, emptied, flaps}[r.IntN(3)]
	d := time.Duration(1+r.IntN(90)) * time.Minute
	lacks, event := r.IntN(2) == 0, r.IntN(8)
	return mishap{s.moment(r), fmt.Sprintf("the feed %s for %s", mode, d), func(w *world) {
		w.feed.mode, w.feed.until = mode, w.t.Add(d)
		if n := len(w.feed.now.windows); mode == flaps && lacks && n > 0 {
			w.feed.before = w.feed.now.clone()
			w.feed.before.windows = slices.Delete(w.feed.before.windows, event%n, event%n+1)
		}
	}}
}

// drawEdit is a person at the calendar.
func (s *spec) drawEdit(r *rand.Rand) mishap {
	old := s.windows[r.IntN(len(s.windows))]
	d := time.Duration(5+r.IntN(60)) * time.Minute
	later := []time.Duration{d, -d, 24 * time.Hour, time.Hour, -time.Hour}[r.IntN(5)]
	to := s.windows[r.IntN(len(s.windows))].Procedure
	what := []string{"move", "shorten", "lengthen", "delete", "cancel", "put back", "another procedure", "skip a device", "start moves"}[r.IntN(9)]
	device := s.premises.Devices[r.IntN(len(s.premises.Devices))].Name
	change := func(w *actions.Window) bool {
		switch what {
		case "move":
			w.Start, w.End = w.Start.Add(later), w.End.Add(later)
		case "shorten":
			w.End = w.End.Add(-min(d, w.End.Sub(w.Start)-time.Minute))
		case "lengthen":
			w.End = w.End.Add(d)
		case "delete":
			return false
		case "another procedure":
			w.Procedure = to
		case "skip a device":
			w.SkipDevices = []string{device}
		case "start moves":
			w.Start = w.Start.Add(min(later, w.End.Sub(w.Start)-time.Minute))
		}
		return true
	}
	return mishap{s.moment(r), fmt.Sprintf("edit of %s: %s (%s)", old.UID, what, later), func(w *world) {
		switch what {
		case "cancel":
			w.feed.cancel(old.UID)
		case "put back":
			w.feed.put(old)
		default:
			w.feed.edit(old.UID, change)
		}
	}}
}

// drawStep is a wall clock that is set wrong for a while.
func (s *spec) drawStep(r *rand.Rand) mishap {
	by := time.Duration(r.IntN(7200)-3600) * time.Second
	if r.IntN(3) == 0 {
		by = time.Duration(r.IntN(20)-10) * time.Second
	}
	d := time.Duration(10+r.IntN(1800)) * time.Second
	return mishap{s.moment(r), fmt.Sprintf("the clock steps by %s for %s", by, d), func(w *world) {
		if w.skew != 0 || w.m == nil {
			return // one at a time, and seen by the program
		}
		w.step(by, d)
	}}
}

// step sets the wall clock wrong for d.
func (w *world) step(by, d time.Duration) {
	w.skew = by
	w.check.disturbed("clock", d+by.Abs())
	w.always(d, func() []Event { w.skew = 0; w.note("!! the clock is right again"); return nil })
}

// drawSleep is a machine that is suspended.
func (s *spec) drawSleep(r *rand.Rand) mishap {
	d := time.Duration(5+r.IntN(1200)) * time.Second
	return s.sleep(s.moment(r), d)
}

func (s *spec) sleep(at time.Time, d time.Duration) mishap {
	return mishap{at, fmt.Sprintf("the machine sleeps for %s", d), func(w *world) {
		if w.m == nil || !w.sleeping.IsZero() {
			return
		}
		w.sleeping = w.t.Add(d)
		w.check.sleeps(d)
		w.always(d, func() []Event {
			w.slept += d
			w.sleeping = time.Time{}
			w.wakeAt = w.wakeAt.Add(d)
			w.note("!! the machine wakes")
			return nil
		})
	}}
}

// drawGiveBack is a person who asks for everything, one device or one window back, and may think again.
func (s *spec) drawGiveBack(r *rand.Rand) mishap {
	var e Event
	switch r.IntN(3) {
	case 0:
		e = GiveBack{}
	case 1:
		e = GiveBack{Device: s.premises.Devices[r.IntN(len(s.premises.Devices))].Name}
	case 2:
		e = StandDown{Window: s.windows[r.IntN(len(s.windows))].ID}
	}
	said := fmt.Sprintf("a person asks: %#v", e)
	var again Event
	after := time.Duration(r.IntN(3600)) * time.Second
	switch r.IntN(4) {
	case 0:
		again = TakeUp{}
	case 1:
		again = TakeUp{Window: s.windows[r.IntN(len(s.windows))].ID}
	}
	if again != nil {
		said += fmt.Sprintf(", and %s later: %#v", after, again)
	}
	return mishap{s.moment(r), said, func(w *world) {
		w.in(time.Millisecond, func() []Event { return []Event{e} })
		if again != nil {
			w.in(after, func() []Event { return []Event{again} })
		}
	}}
}
