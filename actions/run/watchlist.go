package run

import (
	"slices"
	"time"

	"spillway/actions"
	"spillway/actions/link"
)

const (
	calmRead   = 5 * time.Minute  // points that only the sums look at
	heldRead   = 15 * time.Second // points we hold: a hand is noticed within two of these
	guardRead  = 10 * time.Second // guards, from shortly before their window to its end
	levelRead  = time.Minute      // levels and other loads while a window is on
	beforeRead = time.Minute      // how long before its lead-in a window is watched closely
	lostRead   = 10 * time.Minute // a reading that was never answered is asked for again

	// silentFor is how long a point must have answered nothing before someone is told: a broker's first messages take a
	// moment, and one lost packet is no news.
	silentFor = 30 * time.Second
)

// A watchlist says which points are read, and when, besides those that a step reads for itself. Its times are Ups.
type watchlist struct {
	premises *actions.Premises
	every    map[actions.Ref]time.Duration
	order    []actions.Ref
	asked    map[actions.Ref]time.Duration
	open     map[actions.Ref]bool
	silent   map[actions.Ref]time.Duration // since when a point has answered nothing
	guards   map[actions.Ref]bool          // readings that decide what is held
	sums     map[actions.Ref]bool          // readings that the sums are made from
}

func newWatchlist(p *actions.Premises) watchlist {
	return watchlist{
		premises: p,
		every:    map[actions.Ref]time.Duration{},
		asked:    map[actions.Ref]time.Duration{},
		open:     map[actions.Ref]bool{},
		silent:   map[actions.Ref]time.Duration{},
		guards:   map[actions.Ref]bool{},
		sums:     map[actions.Ref]bool{},
	}
}

// want works out the list anew from the plan and the standing.
func (w *watchlist) want(m *Machine) {
	clear(w.every)
	clear(w.guards)
	clear(w.sums)
	now, on := m.now.Wall, false
	for i := range m.plan.Windows {
		pw := &m.plan.Windows[i]
		if now.Before(pw.Done) && !now.Before(pw.LeadIn.Add(-m.set.Readiness)) {
			close := !now.Before(pw.LeadIn.Add(-beforeRead))
			on = on || close
			w.window(m, pw, close)
		}
	}
	for ref, st := range m.standing.Points {
		switch {
		case st.Owed || st.Certain || st.Stray.Known && st.StrayUntil.Sub(now) <= actions.StrayShort:
			w.add(ref, heldRead)
		case st.Stray.Known:
			w.add(ref, levelRead)
		}
	}
	if o := m.set.Premises.Supply.OtherLoads; o != nil {
		w.add(*o, pace(levelRead, on))
		w.sums[*o] = true
	}
	w.order = w.order[:0]
	for ref := range w.every {
		w.order = append(w.order, ref)
	}
	slices.SortFunc(w.order, actions.Ref.Compare)
}

// window adds the points of one window that is near: those it holds, its guards, and what its devices tell of themselves.
func (w *watchlist) window(m *Machine, pw *actions.PlannedWindow, close bool) {
	for s := range m.statements(pw) {
		w.add(s.Point, calmRead)
		if s.Guard != nil {
			w.add(s.Guard.Point, pace(guardRead, close))
			w.guards[s.Guard.Point] = true
		}
		d := w.premises.Device(s.Point.Device)
		if d == nil {
			continue
		}
		for i := range d.Points {
			p := &d.Points[i]
			switch name := p.Ref.Point; {
			case name == d.Level, name == d.NeedPoint:
				w.add(p.Ref, pace(levelRead, close))
				w.sums[p.Ref] = true
			case measures(p):
				w.add(p.Ref, pace(levelRead, close))
			}
		}
	}
}

// measures reports whether a point is a reading of power.
func measures(p *actions.Point) bool {
	return p.Write == nil && p.Read != nil && (p.Unit == "W" || p.Unit == "kW" || p.Unit == "A")
}

func pace(d time.Duration, close bool) time.Duration {
	if close {
		return d
	}
	return calmRead
}

func (w *watchlist) add(ref actions.Ref, every time.Duration) {
	p := w.premises.Point(ref)
	if p == nil || p.Read == nil {
		return
	}
	if old, ok := w.every[ref]; !ok || every < old {
		w.every[ref] = every
	}
}

func (w *watchlist) answered(ref actions.Ref, up time.Duration) {
	w.asked[ref] = up
	delete(w.open, ref)
}

// dueIn returns how long it is until the point is to be read.
func (w *watchlist) dueIn(ref actions.Ref, up time.Duration) time.Duration {
	last, ok := w.asked[ref]
	switch {
	case !ok:
		return 0
	case w.open[ref]:
		return last + lostRead - up
	}
	return last + w.every[ref] - up
}

// next returns how long it is until the next reading is due.
func (w *watchlist) next(up time.Duration) time.Duration {
	next := wakeAtLeast
	for _, ref := range w.order {
		next = min(next, w.dueIn(ref, up))
	}
	return next
}

// readDue asks for the readings that are due. A point that a step is about to read is left to it.
func (m *Machine) readDue() {
	for _, ref := range m.watch.order {
		if m.watch.dueIn(ref, m.now.Up) > 0 {
			continue
		}
		m.watch.asked[ref] = m.now.Up
		if m.busy(ref) {
			continue
		}
		d := m.set.Premises.Device(ref.Device)
		l := m.set.Premises.Link(d.Link)
		if l == nil {
			continue
		}
		m.watch.open[ref] = true
		m.reads++
		m.effects = append(m.effects, Read{ID: m.reads, Link: l.Name, Point: m.set.Premises.Point(ref), Timeout: l.Timeout, Patient: true})
	}
}

// reach tells of links and points that do not answer, while there is time, and takes it back where they do again.
func (m *Machine) reach(e ReadDone, failed bool) {
	d := m.set.Premises.Device(e.Ref.Device)
	if d == nil {
		return
	}
	if !failed {
		if _, was := m.watch.silent[e.Ref]; was || len(m.troubles) > 0 {
			delete(m.watch.silent, e.Ref)
			m.clear("link " + d.Link)
			m.clear("read " + e.Ref.String())
		}
		return
	}
	since, known := m.watch.silent[e.Ref]
	switch {
	case !known:
		m.watch.silent[e.Ref] = m.now.Up
	case m.now.Up-since < silentFor:
	case link.ClassOf(e.Err) == link.Unreachable:
		m.trouble("link "+d.Link, d.Link, "cannot be reached: "+e.Err.Error())
	case e.Err != nil:
		m.trouble("read "+e.Ref.String(), e.Ref.String(), "cannot be read: "+e.Err.Error())
	}
}
