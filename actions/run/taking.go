package run

import (
	"reflect"
	"slices"
	"strings"
	"time"

	"spillway/actions"
)

const (
	// manyEvents and emptyFor: a feed that held more than this many events and suddenly holds none must say so this
	// long before it is believed.
	manyEvents = 3
	emptyFor   = 24 * time.Hour
)

// taking is which windows are in force, by what the feeds say and have said. It is slow to believe what would end a
// hold, and quick with everything else.
type taking struct {
	premises *actions.Premises
	feeds    map[string]*fed
	hasty    bool             // see breakage
	heard    map[string]bool  // feeds that have been heard of since the start, be it that they failed
	list     []actions.Window // all, made when it is asked for; nil: to be made
}

// fed is one feed's part.
type fed struct {
	windows map[string]actions.Window
	pending map[string]bool // the last good poll would have ended it sooner, and was not believed
	events  int
	empty   bool // the feed holds nothing, and is not believed yet
	since   Tick // since when
}

func newTaking(p *actions.Premises) taking {
	return taking{premises: p, feeds: map[string]*fed{}, heard: map[string]bool{}}
}

// take brings one good poll in and reports whether anything changed. near reports whether a window's holds are on, or
// may be.
func (t *taking) take(now Tick, p Polled, near func(actions.Window) bool) bool {
	f := t.feeds[p.Feed]
	if f == nil {
		f = &fed{windows: map[string]actions.Window{}, pending: map[string]bool{}}
		t.feeds[p.Feed] = f
	}
	if f.doubtsEmpty(now, p) {
		return false
	}
	f.events = p.Events

	next := map[string]actions.Window{}
	for _, w := range p.Windows {
		next[w.ID] = w
	}
	changed := false
	for id, old := range f.windows {
		said, there := next[id]
		if there && reflect.DeepEqual(said, old) {
			delete(f.pending, id)
			continue
		}
		if !p.Saved && !t.hasty && !slices.Contains(p.Cancelled, id) && near(old) && t.endsSooner(now, old, said, there) {
			if !f.pending[id] {
				f.pending[id] = true
				next[id] = old
				continue
			}
		}
		delete(f.pending, id)
		changed = true
	}
	for id := range next {
		if _, was := f.windows[id]; !was {
			changed = true
		}
	}
	f.windows = next
	if changed {
		t.list = nil
	}
	return changed
}

// doubtsEmpty reports whether the feed suddenly holds nothing and has not done so for long enough. It must have said so
// by both clocks: neither one that steps nor one that slept is enough.
func (f *fed) doubtsEmpty(now Tick, p Polled) bool {
	if p.Events > 0 || f.events <= manyEvents {
		f.empty = false
		return false
	}
	if !f.empty {
		f.empty, f.since = true, now
	}
	if now.Wall.Sub(f.since.Wall) < emptyFor || now.Up-f.since.Up < emptyFor {
		return true
	}
	f.empty = false
	return false
}

// endsSooner reports whether believing what the feed now says would end a hold of the old window earlier.
func (t *taking) endsSooner(now Tick, old, said actions.Window, there bool) bool {
	switch {
	case !there, said.End.Before(old.End), said.Procedure != old.Procedure,
		said.Start.After(now.Wall) && said.Start.After(old.Start),
		!reflect.DeepEqual(said.SkipDevices, old.SkipDevices), !reflect.DeepEqual(said.Extra, old.Extra):
		return true
	}
	return said.Start.Before(old.Start) && t.hasFor(old) // `for` counts from the start
}

// hasFor reports whether a statement of the window ends before the window does.
func (t *taking) hasFor(w actions.Window) bool {
	ends := func(s actions.Statement) bool { return s.For > 0 }
	p := t.premises.Procedure(w.Procedure)
	return slices.ContainsFunc(w.Extra, ends) || p != nil && (slices.ContainsFunc(p.LeadIn, ends) || slices.ContainsFunc(p.During, ends))
}

// all returns the windows in force, each once, by start and id. A window that two feeds hold is the first feed's. The
// list is not to be changed.
func (t *taking) all() []actions.Window {
	if t.list != nil {
		return t.list
	}
	t.list = []actions.Window{}
	seen := map[string]bool{}
	for _, name := range sortedKeys(t.feeds) {
		for _, id := range sortedKeys(t.feeds[name].windows) {
			if !seen[id] {
				seen[id] = true
				t.list = append(t.list, t.feeds[name].windows[id])
			}
		}
	}
	slices.SortFunc(t.list, func(a, b actions.Window) int {
		if c := a.Start.Compare(b.Start); c != 0 {
			return c
		}
		return strings.Compare(a.ID, b.ID)
	})
	return t.list
}

// polled takes a poll of a feed in.
func (m *Machine) polled(p Polled) {
	m.taken.heard[p.Feed] = true
	key := "feed " + p.Feed
	if p.Trouble != "" {
		m.trouble(key, p.Feed, p.Trouble)
	} else {
		m.clear(key)
	}
	if p.Good && m.taken.take(m.now, p, m.mayHold) {
		m.dirty, m.changed = true, true
	}
}

// mayHold reports whether holds of the window are on, or may be.
func (m *Machine) mayHold(w actions.Window) bool {
	for _, st := range m.standing.Points {
		if st.Owed && st.Window == w.ID {
			return true
		}
	}
	start := w.Start
	if m.plan != nil {
		if pw := m.plan.Window(w.ID); pw != nil {
			start = sooner(pw.LeadIn, start)
			// A hold may be on without a step of its own: the point had the value already, for another window.
			for i := range pw.Claims {
				start = sooner(pw.Claims[i].From, start)
			}
		}
	}
	return !m.now.Wall.Before(start) && m.now.Wall.Before(w.End)
}

func sooner(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}
