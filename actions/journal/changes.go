package journal

import (
	"reflect"
	"slices"
	"time"

	"spillway/actions"
)

// part returns the rows of s that the entries can touch. It saves copying the rest at each write; that Apply touches no
// other rows is tested, entry kind by entry kind.
func part(s actions.Standing, entries []actions.Entry) actions.Standing {
	p := actions.NewStanding()
	// An entry on a step that nobody knows touches the step without a link and a point.
	takeStep(p, s, actions.Step{})
	for _, e := range entries {
		take(p.Points, s.Points, e.Point)
		takeStep(p, s, e.Step)
		if st, ok := s.Steps[e.Step.ID]; ok {
			p.Steps[e.Step.ID] = st
			takeStep(p, s, st.Step)
		}
		take(p.Down, s.Down, e.Window)
		if e.Kind != actions.EntryWindowOver {
			continue
		}
		for id, st := range s.Steps {
			if st.Step.Window == e.Window {
				p.Steps[id] = st
			}
		}
	}
	return p
}

func takeStep(p, s actions.Standing, step actions.Step) {
	take(p.Points, s.Points, step.Point)
	take(p.Links, s.Links, step.Link)
}

func take[K comparable, V any](to, from map[K]V, key K) {
	if v, ok := from[key]; ok {
		to[key] = v
	}
}

// A change is a set of rows to write and keys to remove.
type change[K comparable, V any] struct {
	set  map[K]V
	gone []K
}

// changes are what is different in a standing.
type changes struct {
	points change[actions.Ref, actions.PointStanding]
	links  change[string, actions.LinkStanding]
	steps  change[string, actions.StepStanding]
	down   change[string, time.Time]
}

func compare(before, after actions.Standing) changes {
	return changes{
		compareMaps(before.Points, after.Points),
		compareMaps(before.Links, after.Links),
		compareMaps(before.Steps, after.Steps),
		compareMaps(before.Down, after.Down),
	}
}

func compareMaps[K comparable, V any](before, after map[K]V) change[K, V] {
	c := change[K, V]{set: map[K]V{}}
	for k, v := range after {
		if was, ok := before[k]; !ok || !reflect.DeepEqual(was, v) {
			c.set[k] = v
		}
	}
	for k := range before {
		if _, ok := after[k]; !ok {
			c.gone = append(c.gone, k)
		}
	}
	return c
}

func (c changes) mergeInto(s actions.Standing) {
	merge(s.Points, c.points)
	merge(s.Links, c.links)
	merge(s.Steps, c.steps)
	merge(s.Down, c.down)
}

func merge[K comparable, V any](m map[K]V, c change[K, V]) {
	for k, v := range c.set {
		m[k] = v
	}
	for _, k := range c.gone {
		delete(m, k)
	}
}

// A logChange is a line of the switching log as it stands after some entries, or its end as part of standing.
type logChange struct {
	id          string
	line        actions.StepStanding
	first, last time.Time
	over        bool // no longer part of standing; line, first and last do not count
}

// logChanges are what the entries of a commit do to the switching log, in order: a line can be begun, ended and begun
// again in one commit.
type logChanges struct {
	list []logChange
	open map[string]int // index of the line that is part of standing, by step id
}

// add takes in what e did; after is the standing that has it.
func (l *logChanges) add(e actions.Entry, after actions.Standing) {
	if l.open == nil {
		l.open = map[string]int{}
	}
	id := e.Step.ID
	switch e.Kind {
	case actions.EntryIntent, actions.EntrySent, actions.EntryUnsent, actions.EntrySettled:
		line, known := after.Steps[id]
		if !known {
			return // the taking back of an intent that nobody knows
		}
		i, ok := l.open[id]
		if !ok {
			i = len(l.list)
			l.open[id] = i
			l.list = append(l.list, logChange{id: id, first: e.At})
		}
		l.list[i].line, l.list[i].last = line, e.At
	case actions.EntryWindowOver:
		for id := range l.open {
			if _, ok := after.Steps[id]; !ok {
				l.end(id)
			}
		}
	}
}

// dated reports whether a line of the log is kept that carries the time t, so that loading finds it there. Times that
// columns cannot hold, and those before 1970, are kept elsewhere.
func (l *logChanges) dated(t time.Time) bool {
	return nanos(t) > 0 && fromNanos(nanos(t)).Equal(t) && slices.ContainsFunc(l.list, func(c logChange) bool { return !c.over && c.last.Equal(t) })
}

func (l *logChanges) end(id string) {
	delete(l.open, id)
	l.list = append(l.list, logChange{id: id, over: true})
}
