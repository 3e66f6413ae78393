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
	feeds map[string]*fed
}

// fed is one feed's part.
type fed struct {
	windows map[string]actions.Window
	pending map[string]actions.Window // what the last good poll said instead; a zero window: it is gone
	events  int
	empty   time.Time // since when the feed has held nothing; zero: it holds something
}

func newTaking() taking { return taking{feeds: map[string]*fed{}} }

// take brings one good poll in and reports whether anything changed. near reports whether a window's holds are on, or
// may be, at now.
func (t *taking) take(now time.Time, p Polled, near func(actions.Window) bool) bool {
	f := t.feeds[p.Feed]
	if f == nil {
		f = &fed{windows: map[string]actions.Window{}, pending: map[string]actions.Window{}}
		t.feeds[p.Feed] = f
	}
	if p.Events == 0 && f.events > manyEvents {
		if f.empty.IsZero() {
			f.empty = now
		}
		if now.Sub(f.empty) < emptyFor {
			return false
		}
	}
	f.empty = time.Time{}
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
		if near(old) && endsSooner(old, said, there, now) && !slices.Contains(p.Cancelled, id) && !p.Saved {
			if before, seen := f.pending[id]; !seen || !reflect.DeepEqual(before, said) {
				f.pending[id] = said
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
	return changed
}

// endsSooner reports whether believing what the feed now says would end a hold of the old window earlier.
func endsSooner(old, said actions.Window, there bool, now time.Time) bool {
	return !there || said.End.Before(old.End) || said.Start.After(now) && said.Start.After(old.Start) ||
		said.Procedure != old.Procedure || !reflect.DeepEqual(said.SkipDevices, old.SkipDevices) ||
		!reflect.DeepEqual(said.Extra, old.Extra)
}

// all returns the windows in force, each once, by start and id. A window that two feeds hold is the first feed's.
func (t *taking) all() []actions.Window {
	var list []actions.Window
	seen := map[string]bool{}
	for _, name := range sortedKeys(t.feeds) {
		for _, id := range sortedKeys(t.feeds[name].windows) {
			if !seen[id] {
				seen[id] = true
				list = append(list, t.feeds[name].windows[id])
			}
		}
	}
	slices.SortFunc(list, func(a, b actions.Window) int {
		if c := a.Start.Compare(b.Start); c != 0 {
			return c
		}
		return strings.Compare(a.ID, b.ID)
	})
	return list
}

// polled takes a poll of a feed in.
func (m *Machine) polled(now time.Time, p Polled) {
	key := "feed " + p.Feed
	if p.Trouble != "" {
		m.trouble(now, key, p.Feed, p.Trouble)
	} else {
		m.clear(key)
	}
	if !p.Good {
		return
	}
	if m.taken.take(now, p, func(w actions.Window) bool { return m.mayHold(w, now) }) {
		m.dirty = true
		m.changed = true
	}
}

// mayHold reports whether holds of the window are on, or may be.
func (m *Machine) mayHold(w actions.Window, now time.Time) bool {
	for _, st := range m.standing.Points {
		if st.Owed && st.Window == w.ID {
			return true
		}
	}
	start := w.Start
	if m.plan != nil {
		if pw := m.plan.Window(w.ID); pw != nil {
			start = pw.LeadIn
		}
	}
	return !now.Before(start) && now.Before(w.End)
}
