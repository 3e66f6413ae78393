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
	points   map[actions.Ref]*watched
	order    []*watched           // those that are read now, by ref
	guards   map[actions.Ref]bool // readings that decide what is held
	held     map[actions.Ref]bool // points that a window holds now or soon
	sums     map[actions.Ref]bool // readings that the sums are made from
}

// A watched is one point on the list.
type watched struct {
	ref   actions.Ref
	point *actions.Point
	link  *actions.Link
	every time.Duration // 0: not read now
	known bool          // it was asked for, at asked,
	asked time.Duration
	open  bool // and has not answered yet

	silent bool // it has answered nothing since
	since  time.Duration
	heard  time.Duration // when it answered last; 0: not yet
}

func newWatchlist(p *actions.Premises) watchlist {
	return watchlist{
		premises: p,
		points:   map[actions.Ref]*watched{},
		guards:   map[actions.Ref]bool{},
		held:     map[actions.Ref]bool{},
		sums:     map[actions.Ref]bool{},
	}
}

// point returns what the list knows of a point; nil where it cannot be read.
func (w *watchlist) point(ref actions.Ref) *watched {
	if x, ok := w.points[ref]; ok {
		return x
	}
	var x *watched
	if d := w.premises.Device(ref.Device); d != nil {
		p, l := d.Point(ref.Point), w.premises.Link(d.Link)
		if p != nil && p.Read != nil && l != nil {
			x = &watched{ref: ref, point: p, link: l}
		}
	}
	w.points[ref] = x
	return x
}

// want works out the list anew from the plan and the standing.
func (w *watchlist) want(m *Machine) {
	for _, x := range w.order {
		x.every = 0
	}
	w.order = w.order[:0]
	clear(w.guards)
	clear(w.held)
	clear(w.sums)
	now, on := m.now.Wall, false
	for i := range m.plan.Windows {
		pw := &m.plan.Windows[i]
		if now.Before(pw.Done) && !now.Before(pw.LeadIn.Add(-m.readAhead(pw))) {
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
	slices.SortFunc(w.order, func(a, b *watched) int { return a.ref.Compare(b.ref) })
}

// roomAhead is how long before a window its points are read where room is to be made for it: a battery that empties into a
// few lamps takes most of a day, and its level decides when it begins.
const roomAhead = 24 * time.Hour

// readAhead returns how long before its lead-in the points of a window are read.
func (m *Machine) readAhead(pw *actions.PlannedWindow) time.Duration {
	for s := range m.statements(pw) {
		if d := m.set.Premises.Device(s.Point.Device); d != nil && d.MakeRoom {
			return max(m.set.Readiness, roomAhead)
		}
	}
	return m.set.Readiness
}

// window adds the points of one window that is near: those it holds, its guards, and what its devices tell of themselves.
func (w *watchlist) window(m *Machine, pw *actions.PlannedWindow, close bool) {
	for i := range pw.Claims { // what makes room is in no statement
		if c := &pw.Claims[i]; close && m.now.Wall.Before(c.To) {
			w.add(c.Point, heldRead)
			w.held[c.Point] = true
		}
	}
	for s := range m.statements(pw) {
		w.add(s.Point, calmRead)
		if close && m.now.Wall.Before(pw.End) {
			w.add(s.Point, heldRead)
			w.held[s.Point] = true
		}
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
	x := w.point(ref)
	if x == nil {
		return
	}
	if x.every == 0 {
		w.order = append(w.order, x)
	}
	if x.every == 0 || every < x.every {
		x.every = every
	}
}

func (w *watchlist) answered(ref actions.Ref, up time.Duration) {
	if x := w.point(ref); x != nil {
		x.known, x.asked, x.open = true, up, false
	}
}

// dueIn returns how long it is until the point is to be read.
func (x *watched) dueIn(up time.Duration) time.Duration {
	switch {
	case !x.known:
		return 0
	case x.open:
		return x.asked + lostRead - up
	}
	every := x.every
	if x.silent {
		// Asked again as soon as its silence would be told of, so that a link that is down is known within a minute.
		every = min(every, silentFor)
	}
	return x.asked + every - up
}

// next returns how long it is until the next reading is due.
func (w *watchlist) next(up time.Duration) time.Duration {
	next := wakeAtLeast
	for _, x := range w.order {
		next = min(next, x.dueIn(up))
	}
	return next
}

// readDue asks for the readings that are due. A point that a step is about to read is left to it.
func (m *Machine) readDue() {
	for _, x := range m.watch.order {
		if x.dueIn(m.now.Up) > 0 {
			continue
		}
		x.known, x.asked = true, m.now.Up
		if m.busy(x.ref) {
			continue
		}
		x.open = true
		m.reads++
		m.effects = append(m.effects, Read{ID: m.reads, Link: x.link.Name, Point: x.point, Timeout: x.link.Timeout, Patient: true})
	}
}

// reach tells of links and points that do not answer, while there is time, and takes it back where they do again. A box that
// says nothing at all is one trouble, and not one for each of its points.
func (m *Machine) reach(e ReadDone, failed bool) {
	x := m.watch.point(e.Ref)
	switch {
	case x == nil:
	case !failed:
		x.heard = m.now.Up
		if x.silent || len(m.troubles) > 0 {
			x.silent = false
			m.clear("link " + x.link.Name)
			m.clear("read " + e.Ref.String())
		}
	case !x.silent:
		x.silent, x.since = true, m.now.Up
		m.watch.askAnother(x)
	case m.now.Up-x.since < silentFor:
	case link.ClassOf(e.Err) == link.Unreachable:
		m.trouble("link "+x.link.Name, x.link.Name, "cannot be reached: "+e.Err.Error())
	case e.Err != nil && saysNothing(e.Err) && m.watch.mute(x):
		m.trouble("link "+x.link.Name, x.link.Name, "does not answer: "+e.Err.Error())
	case e.Err != nil:
		m.trouble("read "+e.Ref.String(), e.Ref.String(), "cannot be read: "+e.Err.Error())
	}
}

// saysNothing reports whether the far end gave no answer, rather than one that is of no use.
func saysNothing(err error) bool {
	c := link.ClassOf(err)
	return c == link.Unknown || c == link.NotYet
}

// mute reports whether no other point of the link has answered since this one fell silent.
func (w *watchlist) mute(x *watched) bool {
	return !slices.ContainsFunc(w.order, func(y *watched) bool { return y != x && y.link == x.link && !y.silent && y.heard >= x.since })
}

// askAnother has another point of the link read at once, where there is one, to tell a silent point from a silent box.
func (w *watchlist) askAnother(x *watched) {
	for _, y := range w.order {
		if y != x && y.link == x.link && !y.silent && !y.open {
			y.asked = min(y.asked, x.since-y.every)
			return
		}
	}
}
