package journal

import (
	"cmp"
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"encoding/json"
	"time"

	"spillway/actions"
)

// A Window is what is remembered of a window, so that settlement knows those that are past.
type Window struct {
	ID           string              `json:"id"`
	UID          string              `json:"uid"`
	RecurrenceID time.Time           `json:"recurrence_id"` // zero for an event that does not recur
	Feed         string              `json:"feed"`
	Procedure    string              `json:"procedure"`
	Title        string              `json:"title"`
	Start        time.Time           `json:"start"`
	End          time.Time           `json:"end"`
	State        actions.WindowState `json:"state"`
	FirstSeen    time.Time           `json:"-"` // when it was saved first; SaveWindows does not look at it
	Hash         string              `json:"-"` // of the other fields; SaveWindows does not look at it
}

// WindowOf returns what is to be remembered of w.
func WindowOf(w actions.PlannedWindow) Window {
	return Window{
		ID: w.ID, UID: w.UID, RecurrenceID: w.RecurrenceID.UTC(), Feed: w.Feed, Procedure: w.Procedure, Title: w.Title,
		Start: w.Start.UTC(), End: w.End.UTC(), State: w.State,
	}
}

func (w Window) encode() (data []byte, hash string, err error) {
	if data, err = json.Marshal(w); err != nil {
		return nil, "", err
	}
	sum := sha256.Sum256(data)
	return data, hex.EncodeToString(sum[:8]), nil
}

// SaveWindows remembers the windows as they are now. One that moved before it began, or while it ran, takes the place of
// what was saved of it; one that is over and comes back at another time stands beside what it was. Windows that are
// saved already as they are cost no write.
func (j *Journal) SaveWindows(ctx context.Context, windows []Window) error {
	type row struct {
		Window
		data []byte
		hash string
	}
	var changed []row
	for _, w := range windows {
		data, hash, err := w.encode()
		if err != nil {
			return j.explain("write", err)
		}
		var have string
		err = j.db.QueryRowContext(ctx, "SELECT hash FROM windows WHERE id = ? AND start = ?", w.ID, nanos(w.Start)).Scan(&have)
		if err == nil && have == hash {
			continue
		}
		changed = append(changed, row{w, data, hash})
	}
	if len(changed) == 0 {
		return ctx.Err()
	}
	now := nanos(j.now())
	return j.change(ctx, func(tx *sql.Tx) error {
		for _, w := range changed {
			if err := saveWindow(tx, w.Window, w.data, w.hash, now); err != nil {
				return err
			}
		}
		return nil
	})
}

func saveWindow(tx *sql.Tx, w Window, data []byte, hash string, now int64) error {
	const replaced = `id = ? AND start <> ? AND (state IN ('far', 'near', 'cancelled') OR (start < ? AND stop > ?))`
	start, stop := nanos(w.Start), nanos(w.End)
	var seen sql.NullInt64
	if err := tx.QueryRow("SELECT min(first_seen) FROM windows WHERE (id = ? AND start = ?) OR ("+replaced+")",
		w.ID, start, w.ID, start, stop, start).Scan(&seen); err != nil {
		return err
	}
	if _, err := tx.Exec("DELETE FROM windows WHERE "+replaced, w.ID, start, stop, start); err != nil {
		return err
	}
	_, err := tx.Exec(`INSERT INTO windows (id, start, stop, state, first_seen, hash, data) VALUES (?, ?, ?, ?, ?, ?, ?)
		ON CONFLICT DO UPDATE SET stop = excluded.stop, state = excluded.state, hash = excluded.hash, data = excluded.data`,
		w.ID, start, stop, w.State, cmp.Or(seen.Int64, now), hash, data)
	return err
}

// Windows returns the remembered windows that overlap [from, to), by start, then id. A zero from or to is open.
func (r *Reader) Windows(ctx context.Context, from, to time.Time) ([]Window, error) {
	if r.db == nil {
		return nil, nil
	}
	query, args := "SELECT first_seen, hash, data FROM windows WHERE true", []any{}
	if !from.IsZero() {
		query, args = query+" AND stop > ?", append(args, nanos(from))
	}
	if !to.IsZero() {
		query, args = query+" AND start < ?", append(args, nanos(to))
	}
	rows, err := r.db.QueryContext(ctx, query+" ORDER BY start, id", args...)
	if err != nil {
		return nil, r.explain("read", err)
	}
	defer func() { _ = rows.Close() }() // rows.Err below tells what matters
	var out []Window
	for rows.Next() {
		var w Window
		var seen int64
		var data []byte
		if err := rows.Scan(&seen, &w.Hash, &data); err != nil {
			return nil, r.explain("read", err)
		}
		if err := json.Unmarshal(data, &w); err != nil {
			return nil, r.explain("read", err)
		}
		w.FirstSeen = fromNanos(seen)
		out = append(out, w)
	}
	return out, r.explain("read", rows.Err())
}

func fromNanos(n int64) time.Time {
	if n == 0 {
		return time.Time{}
	}
	return time.Unix(0, n).UTC()
}
