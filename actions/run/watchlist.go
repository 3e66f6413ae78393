package run

import (
	"slices"
	"time"

	"spillway/actions"
)

const (
	calmRead   = 5 * time.Minute  // points that only the sums look at
	heldRead   = 15 * time.Second // points we hold: a hand is noticed within two of these
	guardRead  = 10 * time.Second // guards, from shortly before their window to its end
	levelRead  = time.Minute      // levels and other loads while a window is on
	beforeRead = time.Minute      // how long before its lead-in a window is watched closely
)

// A watchlist says which points are read, and when, besides those that a step reads for itself.
type watchlist struct {
	premises *actions.Premises
	every    map[actions.Ref]time.Duration
	order    []actions.Ref
	asked    map[actions.Ref]time.Time
	open     map[actions.Ref]bool
	decisive map[actions.Ref]bool // readings that the plan depends on
}

func newWatchlist(p *actions.Premises) watchlist {
	return watchlist{
		premises: p,
		every:    map[actions.Ref]time.Duration{},
		asked:    map[actions.Ref]time.Time{},
		open:     map[actions.Ref]bool{},
		decisive: map[actions.Ref]bool{},
	}
}

// want works out the list anew from the plan and the standing.
func (w *watchlist) want(m *Machine, now time.Time) {
	clear(w.every)
	clear(w.decisive)
	for i := range m.plan.Windows {
		pw := &m.plan.Windows[i]
		if now.Before(pw.End) && !now.Before(pw.LeadIn.Add(-m.set.Readiness)) {
			w.window(pw, !now.Before(pw.LeadIn.Add(-beforeRead)))
		}
	}
	for ref, st := range m.standing.Points {
		if st.Owed || st.Certain {
			w.add(ref, heldRead)
		}
	}
	if o := m.set.Premises.Supply.OtherLoads; o != nil {
		w.add(*o, calmRead)
		w.decisive[*o] = true
	}
	w.order = w.order[:0]
	for ref := range w.every {
		w.order = append(w.order, ref)
	}
	slices.SortFunc(w.order, actions.Ref.Compare)
}

// window adds the points of one window that is near: those it holds, its guards, and the levels of its devices.
func (w *watchlist) window(pw *actions.PlannedWindow, close bool) {
	p := w.premises.Procedure(pw.Procedure)
	if p == nil {
		return
	}
	pace := func(d time.Duration) time.Duration {
		if close {
			return d
		}
		return calmRead
	}
	for _, list := range [][]actions.Statement{p.LeadIn, p.During, p.Restore, pw.Extra} {
		for _, s := range list {
			w.add(s.Point, calmRead)
			if s.Guard != nil {
				w.add(s.Guard.Point, pace(guardRead))
				w.decisive[s.Guard.Point] = true
			}
			d := w.premises.Device(s.Point.Device)
			if d == nil {
				continue
			}
			for _, name := range []string{d.Level, d.NeedPoint} {
				if name != "" {
					w.add(actions.Ref{Device: d.Name, Point: name}, pace(levelRead))
					w.decisive[actions.Ref{Device: d.Name, Point: name}] = true
				}
			}
		}
	}
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

func (w *watchlist) decides(ref actions.Ref) bool { return w.decisive[ref] }

func (w *watchlist) answered(ref actions.Ref, now time.Time) {
	w.asked[ref] = now
	delete(w.open, ref)
}

func (w *watchlist) due(ref actions.Ref) time.Time {
	if last, ok := w.asked[ref]; ok {
		return last.Add(w.every[ref])
	}
	return time.Time{}
}

// next returns when the next reading is due; far ahead where none is.
func (w *watchlist) next(now time.Time) time.Time {
	next := now.Add(wakeAtLeast)
	for _, ref := range w.order {
		if w.open[ref] {
			continue
		}
		if t := w.due(ref); t.Before(next) {
			next = t
		}
	}
	return next
}

// readDue asks for the readings that are due. A point that a step is about to read is left to it.
func (m *Machine) readDue(now time.Time) {
	for _, ref := range m.watch.order {
		if m.watch.open[ref] || m.watch.due(ref).After(now) || m.jobOf(ref) != nil {
			continue
		}
		d := m.set.Premises.Device(ref.Device)
		l := m.set.Premises.Link(d.Link)
		m.watch.open[ref] = true
		m.watch.asked[ref] = now
		m.effects = append(m.effects, Read{Link: l.Name, Point: m.set.Premises.Point(ref), Timeout: l.Timeout, Patient: true})
	}
}
