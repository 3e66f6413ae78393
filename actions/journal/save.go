package journal

import (
	"database/sql"
	"encoding/json"
	"errors"
	"math"
	"time"

	"spillway/actions"
)

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
	if !log.dated(newest) {
		w.exec(s.setNewest, newest.Format(time.RFC3339Nano))
	}
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
