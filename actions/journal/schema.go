package journal

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"path/filepath"
	"strings"
	"syscall"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

//go:embed migrations/*.sql
var migrations embed.FS

// applicationID marks the file as ours in its header ("Spil"; https://www.sqlite.org/pragma.html#pragma_application_id).
const applicationID = 0x5370696c

// errForeign is what a file that is no journal of ours gives.
var errForeign = errors.New("it is no journal of spillway: move the file away, or name another folder as state")

func writePragmas() url.Values {
	return url.Values{
		"_txlock": {"immediate"},
		"_dqs":    {"0"},
		"_pragma": {
			"busy_timeout(10000)",
			"journal_mode(WAL)",
			"synchronous(FULL)",
			"fullfsync(1)", // macOS: past the drive's own cache, too
			"checkpoint_fullfsync(1)",
			"cache_size(-1024)",
			"journal_size_limit(4194304)",
		},
	}
}

func readPragmas() url.Values {
	return url.Values{"_dqs": {"0"}, "_query_only": {"1"}, "_pragma": {"busy_timeout(10000)", "cache_size(-512)"}}
}

// connect opens the file at path with at most conns connections, and tries one.
func connect(path string, conns int, query url.Values) (*sql.DB, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	slashed := filepath.ToSlash(abs)
	if !strings.HasPrefix(slashed, "/") {
		slashed = "/" + slashed // a drive letter
	}
	db, err := sql.Open("sqlite", (&url.URL{Scheme: "file", Path: slashed, RawQuery: query.Encode()}).String())
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(conns)
	db.SetMaxIdleConns(1)
	if err := db.Ping(); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return db, nil
}

// known returns the migrations, in order; number n is at index n-1.
func known() ([]string, error) { return fs.Glob(migrations, "migrations/*.sql") }

// version returns the number of the last migration that the file has had, 0 for an empty file. It refuses files that
// are not ours and those of a newer program.
func version(db *sql.DB) (int, error) {
	var have, app int
	if err := db.QueryRow("PRAGMA user_version").Scan(&have); err != nil {
		return 0, err
	}
	if err := db.QueryRow("PRAGMA application_id").Scan(&app); err != nil {
		return 0, err
	}
	var tables int
	if err := db.QueryRow("SELECT count(*) FROM sqlite_schema").Scan(&tables); err != nil {
		return 0, err
	}
	names, err := known()
	switch {
	case err != nil:
		return 0, err
	case app != applicationID && (app != 0 || have != 0 || tables != 0):
		return 0, errForeign
	case have > len(names):
		return 0, fmt.Errorf("it was written by a newer spillway (schema %d, this one knows %d): install the newer one again, or name another folder as state",
			have, len(names))
	}
	return have, nil
}

// migrate brings the file up to date, one transaction for each number.
func migrate(db *sql.DB) error {
	have, err := version(db)
	if err != nil {
		return err
	}
	names, err := known()
	if err != nil {
		return err
	}
	for n := have; n < len(names); n++ {
		text, err := migrations.ReadFile(names[n])
		if err != nil {
			return err
		}
		if err := inTx(context.Background(), db, func(tx *sql.Tx) error {
			_, err := tx.Exec(fmt.Sprintf("%s;\nPRAGMA application_id = %d;\nPRAGMA user_version = %d", text, applicationID, n+1))
			return err
		}); err != nil {
			return fmt.Errorf("bring to schema %d: %w", n+1, err)
		}
	}
	return nil
}

// inTx runs do in one transaction on a pool with one connection.
func inTx(ctx context.Context, db *sql.DB, do func(*sql.Tx) error) error {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	if err := do(tx); err != nil {
		_ = tx.Rollback() // SQLite has rolled back by itself after most errors
		return err
	}
	if err := tx.Commit(); err != nil {
		// A commit that failed may leave the transaction open, and the connection must begin another one later.
		_, _ = db.ExecContext(ctx, "ROLLBACK")
		return err
	}
	return nil
}

// explain says in one line what was tried on the journal, what went wrong and what to do.
func (r *Reader) explain(verb string, err error) error {
	if err == nil {
		return nil
	}
	var cure string
	var e *sqlite.Error
	switch {
	case errors.As(err, &e):
		switch e.Code() & 0xff {
		case sqlite3.SQLITE_FULL:
			cure = "the disk is full: free some space"
		case sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT:
			cure = "the file is damaged: look at the devices, move the file away and start again"
		case sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM:
			cure = "it cannot be written: check who owns the folder and that its disk is writable"
		case sqlite3.SQLITE_IOERR:
			cure = "the disk answers with an error: check it"
		case sqlite3.SQLITE_BUSY:
			cure = "another program keeps it locked: end that one"
		}
	case errors.Is(err, syscall.ENOSPC):
		cure = "the disk is full: free some space"
	case errors.Is(err, fs.ErrPermission):
		cure = "its folder is closed to this user: run this as the user that Spillway runs as, or give the folder back to it"
	}
	if cure == "" {
		return fmt.Errorf("%s journal %s: %w", verb, r.path, err)
	}
	return fmt.Errorf("%s journal %s: %s (%w)", verb, r.path, cure, err)
}
