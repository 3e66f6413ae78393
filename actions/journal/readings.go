package journal

import (
	"context"
	"database/sql"
	"math"
	"time"

	"spillway/actions"
)

// A Sample is what a point read as at an instant.
type Sample struct {
	At    time.Time
	Ref   actions.Ref
	Value actions.Value
}

// KeepLog is how long lines of the switching log and windows are kept at least, whatever Prune is asked: this year and the
// last, and the two months before them whose windows are no like days.
const KeepLog = 800 * 24 * time.Hour

// pruneAtOnce is how many rows one commit deletes.
const pruneAtOnce = 1000

// SaveReadings keeps the samples. One at the same instant of the same point takes the place of the older.
func (j *Journal) SaveReadings(ctx context.Context, samples []Sample) error {
	if len(samples) == 0 {
		return nil
	}
	return j.change(ctx, func(tx *sql.Tx) error {
		for _, s := range samples {
			name := sql.NullString{String: s.Value.Name, Valid: s.Value.Known && s.Value.Name != ""}
			number := sql.NullFloat64{Float64: s.Value.Number,
				Valid: s.Value.IsNumber() && !math.IsNaN(s.Value.Number) && !math.IsInf(s.Value.Number, 0)}
			if _, err := tx.Exec("INSERT OR REPLACE INTO readings (ref, at, name, number) VALUES (?, ?, ?, ?)",
				s.Ref.String(), nanos(s.At), name, number); err != nil {
				return err
			}
		}
		return nil
	})
}

// Readings returns the samples of the point in [from, to), oldest first.
func (r *Reader) Readings(ctx context.Context, ref actions.Ref, from, to time.Time) ([]Sample, error) {
	if r.db == nil {
		return nil, nil
	}
	rows, err := r.db.QueryContext(ctx, "SELECT at, name, number FROM readings WHERE ref = ? AND at >= ? AND at < ? ORDER BY at",
		ref.String(), nanos(from), nanos(to))
	if err != nil {
		return nil, r.explain("read", err)
	}
	defer func() { _ = rows.Close() }() // rows.Err below tells what matters
	var out []Sample
	for rows.Next() {
		var at int64
		var name sql.NullString
		var number sql.NullFloat64
		if err := rows.Scan(&at, &name, &number); err != nil {
			return nil, r.explain("read", err)
		}
		s := Sample{At: fromNanos(at), Ref: ref}
		switch {
		case name.Valid:
			s.Value = actions.Named(name.String)
		case number.Valid:
			s.Value = actions.Number(number.Float64)
		}
		out = append(out, s)
	}
	return out, r.explain("read", rows.Err())
}

// Prune forgets readings before the instant, and those lines of the switching log and windows before it that are also
// older than [KeepLog], counted from the newest entry. What is part of standing stays.
func (j *Journal) Prune(ctx context.Context, before time.Time) error {
	old := before
	if year := j.Newest().Add(-KeepLog); year.Before(old) {
		old = year
	}
	for _, d := range []struct {
		query string
		limit time.Time
	}{
		{"DELETE FROM readings WHERE (ref, at) IN (SELECT ref, at FROM readings WHERE at < ? LIMIT ?)", before},
		{"DELETE FROM steps WHERE seq IN (SELECT seq FROM steps WHERE live = 0 AND last < ? LIMIT ?)", old},
		{"DELETE FROM windows WHERE (id, start) IN (SELECT id, start FROM windows WHERE stop < ? LIMIT ?)", old},
	} {
		if err := j.forget(ctx, d.query, nanos(d.limit)); err != nil {
			return err
		}
	}
	return nil
}

// forget deletes what is before the instant, some rows a commit: entries on steps that are due need not wait for it all.
func (j *Journal) forget(ctx context.Context, query string, before int64) error {
	for {
		var gone int64
		if err := j.change(ctx, func(tx *sql.Tx) error {
			res, err := tx.ExecContext(ctx, query, before, pruneAtOnce)
			if err == nil {
				gone, err = res.RowsAffected()
			}
			return err
		}); err != nil || gone < pruneAtOnce {
			return err
		}
	}
}
