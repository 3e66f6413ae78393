package journal

import (
	"context"
	"encoding/json"
	"strings"
	"time"

	"spillway/actions"
)

// A Query picks lines of the switching log. Zero fields ask nothing.
type Query struct {
	From, To time.Time // lines on which an entry was written in [From, To), or before and after it
	Window   string    // id
	Device   string
	After    string // only lines begun after the newest one of the step with this id
	Limit    int    // the oldest so many
}

// Log returns lines of the switching log in the order in which they were begun. A step id can come up more than once:
// where a window that was over has been moved ahead and run again.
func (r *Reader) Log(ctx context.Context, q Query) ([]actions.StepStanding, error) {
	if r.db == nil {
		return nil, nil
	}
	where, args := q.where()
	rows, err := r.db.QueryContext(ctx, "SELECT data FROM steps"+where, args...)
	if err != nil {
		return nil, r.explain("read", err)
	}
	defer func() { _ = rows.Close() }() // rows.Err below tells what matters
	var out []actions.StepStanding
	for rows.Next() {
		var data string
		if err := rows.Scan(&data); err != nil {
			return nil, r.explain("read", err)
		}
		var st actions.StepStanding
		if err := json.Unmarshal([]byte(data), &st); err != nil {
			return nil, r.explain("read", err)
		}
		out = append(out, st)
	}
	return out, r.explain("read", rows.Err())
}

func (q Query) where() (string, []any) {
	var and []string
	var args []any
	add := func(cond string, arg any) { and, args = append(and, cond), append(args, arg) }
	if !q.From.IsZero() {
		add("last >= ?", nanos(q.From))
	}
	if !q.To.IsZero() {
		add("first < ?", nanos(q.To))
	}
	if q.Window != "" {
		add("window = ?", q.Window)
	}
	if q.Device != "" {
		add("device = ?", q.Device)
	}
	if q.After != "" {
		// Without an index on the id, which each write would pay for: it is asked for what is near the end.
		add("seq > COALESCE((SELECT seq FROM steps WHERE id = ? ORDER BY seq DESC LIMIT 1), 0)", q.After)
	}
	s := ""
	if len(and) > 0 {
		s = " WHERE " + strings.Join(and, " AND ")
	}
	s += " ORDER BY seq"
	if q.Limit > 0 {
		s += " LIMIT ?"
		args = append(args, q.Limit)
	}
	return s, args
}
