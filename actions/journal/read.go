package journal

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"spillway/actions"
)

// A Reader reads a journal. It is safe for concurrent use.
type Reader struct {
	path string
	db   *sql.DB // nil: nothing was ever recorded

	mu       sync.RWMutex
	standing actions.Standing
	newest   time.Time
}

// OpenReadOnly opens the journal in the folder dir for looking at it, also beside a process that writes it. Standing
// and Newest are those of the moment it was opened; the log, windows, readings and keys are always the newest. Where
// there is no folder or no journal in it, nothing is made and everything is empty.
func OpenReadOnly(dir string) (*Reader, error) {
	r := &Reader{path: filepath.Join(dir, File), standing: actions.NewStanding()}
	info, err := os.Stat(r.path)
	switch {
	case dir == "", errors.Is(err, fs.ErrNotExist):
		return r, nil
	case err != nil && isFile(dir):
		return nil, errFile(dir)
	case err != nil:
		return nil, r.explain("open", err)
	case info.Size() == 0:
		return r, nil // made, and not written to yet
	}
	if err := r.open(); err != nil {
		return nil, errors.Join(r.explain("open", err), r.Close())
	}
	return r, nil
}

// connect opens the file and returns its schema's version.
func (r *Reader) connect(query url.Values) (have int, err error) {
	if r.db != nil {
		_ = r.db.Close() // it could not be used
	}
	if r.db, err = connect(r.path, 2, query); err != nil {
		return 0, err
	}
	return version(r.db)
}

// atRest reports whether the file has no log beside it.
func (r *Reader) atRest() bool {
	_, err := os.Stat(r.path + "-wal")
	return errors.Is(err, fs.ErrNotExist)
}

func (r *Reader) open() (err error) {
	query := readPragmas()
	query.Set("mode", "ro")
	have, err := r.connect(query)
	if err != nil && r.atRest() {
		// Who may read the file and not write to its folder cannot make the index that a reader of the log needs. Where
		// there is no log, nobody has the file open for writing, and it is whole by itself.
		query.Set("immutable", "1")
		have, err = r.connect(query)
	}
	if err != nil {
		return err
	}
	names, err := known()
	switch {
	case err != nil:
		return err
	case have == 0:
		err = r.db.Close()
		r.db = nil
		return err
	case have < len(names):
		return fmt.Errorf("it was written by an older spillway (schema %d, this one wants %d): start spillway run once", have, len(names))
	}
	return r.load(context.Background())
}

// Close ends the reading.
func (r *Reader) Close() error {
	if r.db == nil {
		return nil
	}
	return r.db.Close()
}

// load reads the standing, as of one instant.
func (r *Reader) load(ctx context.Context) error {
	tx, err := r.db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }() // it only reads
	s := actions.NewStanding()
	var newest time.Time
	for _, table := range []struct {
		query string
		take  func(key, data string) error
	}{
		{"SELECT ref, data FROM points", func(key, data string) error {
			var ref actions.Ref
			if err := ref.UnmarshalText([]byte(key)); err != nil {
				return err
			}
			return decode(data, s.Points, ref)
		}},
		{"SELECT name, data FROM links", func(key, data string) error { return decode(data, s.Links, key) }},
		{"SELECT id, data FROM steps WHERE live = 1", func(key, data string) error { return decode(data, s.Steps, key) }},
		{"SELECT window, until FROM down", func(key, data string) (err error) {
			s.Down[key], err = time.Parse(time.RFC3339Nano, data)
			return err
		}},
		{"SELECT one, at FROM newest", func(_, data string) (err error) {
			newest, err = time.Parse(time.RFC3339Nano, data)
			return err
		}},
		// A commit that keeps a line of the log with its newest time does not write that time once more.
		{"SELECT id, last FROM steps WHERE last > 0 AND last < 9223372036854775807 ORDER BY last DESC LIMIT 1", func(_, data string) error {
			at, err := strconv.ParseInt(data, 10, 64)
			if t := fromNanos(at); err == nil && t.After(newest) {
				newest = t
			}
			return err
		}},
	} {
		if err := each(ctx, tx, table.query, table.take); err != nil {
			return err
		}
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.standing, r.newest = s, newest
	return nil
}

func each(ctx context.Context, tx *sql.Tx, query string, take func(key, data string) error) error {
	rows, err := tx.QueryContext(ctx, query)
	if err != nil {
		return err
	}
	defer func() { _ = rows.Close() }() // rows.Err below tells what matters
	for rows.Next() {
		var key, data string
		if err := rows.Scan(&key, &data); err != nil {
			return err
		}
		if err := take(key, data); err != nil {
			return fmt.Errorf("read %s of %q: %w", strings.Fields(query)[4], key, err)
		}
	}
	return rows.Err()
}

func decode[K comparable, V any](data string, into map[K]V, key K) error {
	var v V
	if err := json.Unmarshal([]byte(data), &v); err != nil {
		return err
	}
	into[key] = v
	return nil
}
