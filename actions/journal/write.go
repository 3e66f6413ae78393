package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"math"
	"reflect"
	"strings"
	"time"

	"spillway/actions"
)

// A batch is the entries of one call to Write.
type batch struct {
	entries []actions.Entry
	done    bool // guarded by Journal.commit, like err
	err     error
}

// Write records the entries, all or none, and returns once they would survive a power cut; Standing has them then. On
// an error Standing is what it was, and the next call may succeed. A ctx that has ended writes nothing; one that ends
// later changes nothing any more.
func (j *Journal) Write(ctx context.Context, entries ...actions.Entry) error {
	if err := ctx.Err(); err != nil || len(entries) == 0 {
		return err
	}
	b := &batch{entries: Clean(entries)}
	j.queued.Lock()
	j.queue = append(j.queue, b)
	j.queued.Unlock()

	// Whoever gets the lock commits what all the others that wait for it have queued: one sync for many.
	j.commit.Lock()
	defer j.commit.Unlock()
	if !b.done {
		j.queued.Lock()
		group := j.queue
		j.queue = nil
		j.queued.Unlock()
		j.flush(group)
	}
	return b.err
}

// flush commits the batches together and, where that fails, each by itself, so that one that does not fit does not take
// the others with it.
func (j *Journal) flush(group []*batch) {
	var all []actions.Entry
	for _, b := range group {
		all = append(all, b.entries...)
	}
	err := j.record(all)
	for _, b := range group {
		b.done, b.err = true, err
		if err != nil && len(group) > 1 {
			b.err = j.record(b.entries)
		}
	}
}

// record commits the entries and then lets standing have them.
func (j *Journal) record(entries []actions.Entry) error {
	// Only holders of the commit lock change standing, so that it may be read here without its own lock.
	before := part(j.standing, entries)
	after := before.Clone()
	newest := j.newest
	var log logChanges
	for _, e := range entries {
		after.Apply(e)
		log.add(e, after)
		if e.At.After(newest) {
			newest = e.At
		}
	}
	c := compare(before, after)
	// The commit point. Before it a crash loses the entries, and nothing has been sent on them; after it they are kept,
	// though the caller may never hear.
	if err := inTx(context.Background(), j.w, func(tx *sql.Tx) error {
		return j.stmt.save(tx, c, log, newest)
	}); err != nil {
		return j.explain("write", err)
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	c.mergeInto(j.standing)
	j.newest = newest
	return nil
}

// Clean returns the entries in the form in which they read back from a disk: times in UTC without a monotonic reading
// and not after the year 9999, numbers that are finite (others are unknown), text that is valid UTF-8, no empty lists.
func Clean(entries []actions.Entry) []actions.Entry {
	out := make([]actions.Entry, len(entries))
	for i, e := range entries {
		e.At, e.Until, e.Step.At = cleanTime(e.At), cleanTime(e.Until), cleanTime(e.Step.At)
		for _, v := range []*actions.Value{&e.ReadBack, &e.Value, &e.Step.Value, &e.Step.From} {
			if math.IsNaN(v.Number) || math.IsInf(v.Number, 0) {
				*v = actions.Value{}
			}
			v.Name = strings.ToValidUTF8(v.Name, "\uFFFD")
		}
		e.Note, e.Step.Why = strings.ToValidUTF8(e.Note, "\uFFFD"), strings.ToValidUTF8(e.Step.Why, "\uFFFD")
		e.Holds = append([]string(nil), e.Holds...)
		out[i] = e
	}
	return out
}

// cleanTime keeps to the years that RFC 3339 can write.
func cleanTime(t time.Time) time.Time {
	t = t.Round(0).UTC()
	if t.Year() > 9999 {
		return time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC)
	}
	return t
}

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
	case actions.EntryIntent, actions.EntrySent, actions.EntrySettled:
		i, ok := l.open[id]
		if !ok {
			i = len(l.list)
			l.open[id] = i
			l.list = append(l.list, logChange{id: id, first: e.At})
		}
		l.list[i].line, l.list[i].last = after.Steps[id], e.At
	case actions.EntryWindowOver:
		for id := range l.open {
			if _, ok := after.Steps[id]; !ok {
				l.end(id)
			}
		}
	}
}

func (l *logChanges) end(id string) {
	delete(l.open, id)
	l.list = append(l.list, logChange{id: id, over: true})
}

// statements are the prepared writes of standing.
type statements struct {
	setPoint, delPoint, setLink, delLink, setStep, endStep, setDown, delDown, setNewest *sql.Stmt
}

func (s *statements) list() []struct {
	to    **sql.Stmt
	query string
} {
	return []struct {
		to    **sql.Stmt
		query string
	}{
		{&s.setPoint, "INSERT INTO points (ref, owed, data) VALUES (?, ?, ?) ON CONFLICT DO UPDATE SET owed = excluded.owed, data = excluded.data"},
		{&s.delPoint, "DELETE FROM points WHERE ref = ?"},
		{&s.setLink, "INSERT INTO links (name, data) VALUES (?, ?) ON CONFLICT DO UPDATE SET data = excluded.data"},
		{&s.delLink, "DELETE FROM links WHERE name = ?"},
		{&s.setStep, `INSERT INTO steps (id, window, device, first, last, live, data) VALUES (?, ?, ?, ?, ?, 1, ?)
			ON CONFLICT (id) WHERE live = 1 DO UPDATE SET window = excluded.window, device = excluded.device,
			last = max(last, excluded.last), data = excluded.data`},
		{&s.endStep, "UPDATE steps SET live = 0 WHERE id = ? AND live = 1"},
		{&s.setDown, "INSERT INTO down (window, until) VALUES (?, ?) ON CONFLICT DO UPDATE SET until = excluded.until"},
		{&s.delDown, "DELETE FROM down WHERE window = ?"},
		{&s.setNewest, "INSERT INTO newest (one, at) VALUES (1, ?) ON CONFLICT DO UPDATE SET at = excluded.at"},
	}
}

func (s *statements) prepare(db *sql.DB) (err error) {
	for _, l := range s.list() {
		if *l.to, err = db.Prepare(l.query); err != nil {
			return err
		}
	}
	return nil
}

func (s *statements) close() (err error) {
	for _, l := range s.list() {
		if *l.to != nil {
			err = errors.Join(err, (*l.to).Close())
		}
	}
	return err
}

func (s *statements) save(tx *sql.Tx, c changes, log logChanges, newest time.Time) error {
	w := writer{tx: tx}
	for ref, p := range c.points.set {
		w.exec(s.setPoint, w.ref(ref), p.Owed, w.json(p))
	}
	for _, ref := range c.points.gone {
		w.exec(s.delPoint, w.ref(ref))
	}
	for name, l := range c.links.set {
		w.exec(s.setLink, name, w.json(l))
	}
	for _, name := range c.links.gone {
		w.exec(s.delLink, name)
	}
	for _, l := range log.list {
		if l.over {
			w.exec(s.endStep, l.id)
			continue
		}
		st := l.line
		w.ref(st.Step.Point)
		w.exec(s.setStep, l.id, st.Step.Window, st.Step.Point.Device, nanos(l.first), nanos(l.last), w.json(st))
	}
	for _, id := range c.steps.gone {
		w.exec(s.endStep, id)
	}
	for window, until := range c.down.set {
		w.exec(s.setDown, window, until.Format(time.RFC3339Nano))
	}
	for _, window := range c.down.gone {
		w.exec(s.delDown, window)
	}
	w.exec(s.setNewest, newest.Format(time.RFC3339Nano))
	return w.err
}

// A writer keeps the first error of a row of writes.
type writer struct {
	tx  *sql.Tx
	err error
}

func (w *writer) exec(stmt *sql.Stmt, args ...any) {
	if w.err == nil {
		_, w.err = w.tx.Stmt(stmt).Exec(args...)
	}
}

// ref returns the point's name as it reads back, and refuses one that would not: a line that cannot be read would keep
// the whole journal from opening.
func (w *writer) ref(r actions.Ref) string {
	b, err := r.MarshalText()
	if err == nil {
		err = new(actions.Ref).UnmarshalText(b)
	}
	if w.err == nil {
		w.err = err
	}
	return string(b)
}

func (w *writer) json(v any) string {
	b, err := json.Marshal(v)
	if w.err == nil {
		w.err = err
	}
	return string(b)
}

// nanos returns t as it stands in columns that queries compare: 0 for the zero time, and the ends of what fits for times
// before 1678 and after 2262.
func nanos(t time.Time) int64 {
	switch {
	case t.IsZero():
		return 0
	case t.Year() < 1678:
		return math.MinInt64
	case t.Year() >= 2262:
		return math.MaxInt64
	}
	return t.UnixNano()
}
