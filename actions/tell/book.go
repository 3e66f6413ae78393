package tell

import (
	"slices"
	"spillway/actions"
	"time"
)

const (
	// calm is how long a fault must be gone, or a window, before that is told.
	calm = 5 * time.Minute
	// firstPause and mostPause bound the wait after a message that could not be delivered.
	firstPause = 30 * time.Second
	mostPause  = 15 * time.Minute
	// mostItems is how many things one message holds; the rest go in the next.
	mostItems = 30
)

// A book is what one receiver has been told and is owed. It knows no clock.
type book struct {
	Faults  map[string]*entry `json:"faults"`
	Windows map[string]*taken `json:"windows"`
	Tries   int               `json:"tries"`            // of what is owed now, in vain
	Next    time.Time         `json:"next"`             // not before
	Behind  []string          `json:"behind,omitempty"` // of the newest report
}

// An entry is one fault.
type entry struct {
	Fault
	Tried bool      `json:"tried"` // someone may have been told: an all-clear is owed
	Told  bool      `json:"told"`
	Gone  time.Time `json:"gone,omitzero"` // since when it is in order again; zero: it is not
	// Bare is since when no other fault explains it; zero: none ever did. A box that is back is not read all at once.
	Bare time.Time `json:"bare,omitzero"`
}

// A taken is one window.
type taken struct {
	Window
	Seen  time.Time `json:"seen"`  // when it, or its latest change, was seen first
	Tried bool      `json:"tried"` // someone may have been told
	Was   span      `json:"was"`   // as it was told last; zero: it was not
	Gone  time.Time `json:"gone,omitzero"`
}

func (t *taken) span() span { return span{t.Start.UTC(), t.End.UTC()} }

// A span is when a window is on.
type span struct {
	Start time.Time `json:"start"`
	End   time.Time `json:"end"`
}

func newBook() *book { return &book{Faults: map[string]*entry{}, Windows: map[string]*taken{}} }

// see takes in how things stand now.
func (b *book) see(now time.Time, r Report, rules Rules) {
	here := map[string]bool{}
	for _, f := range r.Faults {
		e := b.Faults[f.Key]
		switch {
		case !rules.wants(f.Kind) || here[f.Key]:
			continue
		case e == nil:
			e = &entry{Fault: f}
			if slices.Contains(b.Behind, f.Key) {
				e.Bare = now
			}
			b.Faults[f.Key] = e
		case e.Tried && now.Before(f.Due):
			continue // what was told is over; what is to come waits for the all-clear
		case e.Tried || f.Due.IsZero():
			f.Since = sooner(f.Since, e.Since) // it never ended, as far as anybody was told
		}
		here[f.Key] = true
		e.Fault, e.Gone = f, time.Time{}
	}
	for key, e := range b.Faults {
		switch {
		case here[key], slices.Contains(r.Unknown, e.Kind), e.Tried && slices.Contains(r.Behind, key):
		case !e.Tried, !e.Ends.IsZero() && !now.Before(e.Ends), !rules.wants(e.Kind):
			delete(b.Faults, key)
		case e.Gone.IsZero():
			e.Gone = now
		}
	}
	b.Behind = r.Behind
	b.seeWindows(now, r, rules)
	b.mendClock(now)
}

func (b *book) seeWindows(now time.Time, r Report, rules Rules) {
	here := map[string]bool{}
	for _, w := range r.Windows {
		if !rules.Windows || !now.Before(w.End) {
			continue
		}
		here[w.ID] = true
		t := b.Windows[w.ID]
		if t == nil {
			t = &taken{Window: w, Seen: now}
			b.Windows[w.ID] = t
		}
		was := t.span()
		t.Window, t.Gone = w, time.Time{}
		if t.span() != was {
			t.Seen = now
		}
	}
	for id, t := range b.Windows {
		switch {
		case here[id]:
		case !t.Tried, !now.Before(t.End), !rules.Windows:
			delete(b.Windows, id)
		case t.Gone.IsZero():
			t.Gone = now
		}
	}
}

// mendClock takes back what a clock that stood ahead has written: nothing may wait for a time that is years away.
func (b *book) mendClock(now time.Time) {
	if b.Next.After(now.Add(mostPause)) {
		b.Next = now
	}
	for _, e := range b.Faults {
		e.Gone = sooner(e.Gone, now)
		e.Since = sooner(e.Since, now)
		e.Bare = sooner(e.Bare, now)
	}
	for _, t := range b.Windows {
		t.Gone, t.Seen = sooner(t.Gone, now), sooner(t.Seen, now)
	}
}

func sooner(a, b time.Time) time.Time {
	if a.After(b) {
		return b
	}
	return a
}

// due returns what is to be told now, and when to ask again at the latest; zero: when something changes.
func (b *book) due(now time.Time, rules Rules) (items []Item, again time.Time) {
	waitFor := func(t time.Time) bool {
		if !t.After(now) {
			return false
		}
		if again.IsZero() || t.Before(again) {
			again = t
		}
		return true
	}
	for _, e := range b.Faults {
		switch {
		case !e.Gone.IsZero():
			if !waitFor(e.Gone.Add(calm)) {
				items = append(items, clearItem(e))
			}
		case !e.Told && !waitFor(actions.Later(actions.Later(e.Since, e.Bare).Add(rules.After), e.Due)):
			items = append(items, faultItem(e))
		}
	}
	for _, t := range b.Windows {
		switch {
		case !t.Gone.IsZero():
			if !waitFor(t.Gone.Add(calm)) {
				items = append(items, offItem(t))
			}
		case t.Was != t.span() && !waitFor(t.Seen.Add(rules.After)):
			items = append(items, takenItem(t))
		}
	}
	if len(items) > 0 && waitFor(b.Next) {
		return nil, again
	}
	slices.SortFunc(items, Item.compare)
	if len(items) > mostItems {
		items = items[:mostItems]
	}
	return items, again
}

// try notes that the items are about to be told. Kept before the attempt, it keeps a program that dies in each attempt
// from hammering.
func (b *book) try(now time.Time, items []Item) {
	b.Next = now.Add(min(firstPause<<min(b.Tries, 10), mostPause))
	b.Tries++
	for _, i := range items {
		switch i.about {
		case aboutFault:
			if e := b.Faults[i.key]; e != nil {
				e.Tried = true
			}
		case aboutWindow:
			if t := b.Windows[i.key]; t != nil {
				t.Tried = true
			}
		}
	}
}

// told notes that the items were delivered.
func (b *book) told(items []Item) {
	b.Tries, b.Next = 0, time.Time{}
	for _, i := range items {
		switch {
		case i.about == aboutFault && i.State == StateClear:
			delete(b.Faults, i.key)
		case i.about == aboutFault:
			if e := b.Faults[i.key]; e != nil {
				e.Told = true
			}
		case i.State == StateOff:
			delete(b.Windows, i.key)
		default:
			if t := b.Windows[i.key]; t != nil {
				t.Was = t.span()
			}
		}
	}
}

// complete makes a book that was read whole: what is missing in it is empty.
func (b *book) complete() {
	if b.Faults == nil {
		b.Faults = map[string]*entry{}
	}
	if b.Windows == nil {
		b.Windows = map[string]*taken{}
	}
	for key, e := range b.Faults {
		if e == nil {
			delete(b.Faults, key)
		} else {
			e.Key = key
		}
	}
	for id, t := range b.Windows {
		if t == nil {
			delete(b.Windows, id)
		} else {
			t.ID = id
		}
	}
	b.Tries = max(b.Tries, 0)
}
