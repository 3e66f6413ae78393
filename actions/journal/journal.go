package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"modernc.org/sqlite" // registers the driver

	"spillway/actions"
)

// File is the name of the journal's file in the state folder.
const File = "spillway.db"

// Options of [Open]. The zero Options are those of a daemon.
type Options struct {
	// Now tells the time at which a window was seen first. Nil: the machine's clock.
	Now func() time.Time
}

// A Journal is the journal of one state folder, open for writing. It is safe for concurrent use.
type Journal struct {
	Reader
	now  func() time.Time
	lock *folderLock
	w    *sql.DB // one connection, the only one that writes
	stmt statements

	queued sync.Mutex // guards queue
	queue  []*batch
	commit sync.Mutex // held by whoever commits
}

// Open opens the journal in the folder dir, which is made, readable by its owner alone, where it is missing. It fails
// where another process has the folder open, where the file was written by a newer program, and where it is damaged.
func Open(dir string, opt Options) (*Journal, error) {
	if opt.Now == nil {
		opt.Now = func() time.Time { return time.Now().UTC() }
	}
	if err := makeFolder(dir); err != nil {
		return nil, err
	}
	lock, err := lockFolder(dir)
	if err != nil {
		return nil, err
	}
	j := &Journal{now: opt.Now, lock: lock, Reader: Reader{path: filepath.Join(dir, File)}}
	if err := j.open(); err != nil {
		return nil, errors.Join(j.explain("open", err), j.Close())
	}
	return j, nil
}

func (j *Journal) open() (err error) {
	// The file is made here so that nobody else can read it; SQLite gives its log the same mode.
	f, err := os.OpenFile(j.path, os.O_RDWR|os.O_CREATE, fileMode(filepath.Dir(j.path)))
	if err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	// Where the system has it, fdatasync syncs the content and the length, which is all that a commit needs.
	if _, err := sqlite.Fdatasync(true); err != nil && !errors.Is(err, sqlite.ErrFdatasyncUnavailable) {
		return err
	}
	if j.w, err = connect(j.path, 1, writePragmas()); err != nil {
		return err
	}
	if err := migrate(j.w); err != nil {
		return err
	}
	if err := j.stmt.prepare(j.w); err != nil {
		return err
	}
	if j.db, err = connect(j.path, 2, readPragmas()); err != nil {
		return err
	}
	return j.load(context.Background())
}

// Close ends the journal and gives the folder free. Nothing is lost without it.
func (j *Journal) Close() error {
	j.commit.Lock()
	defer j.commit.Unlock()
	err := j.Reader.Close()
	if j.w != nil {
		err = errors.Join(err, j.stmt.close(), j.w.Close())
	}
	return errors.Join(err, j.lock.release())
}

// fileMode is for the owner alone, and for the folder's group to read where someone gave that group the folder.
func fileMode(dir string) os.FileMode {
	if info, err := os.Stat(dir); err == nil && info.Mode().Perm()&0o050 == 0o050 {
		return 0o640
	}
	return 0o600
}

func isFile(path string) bool {
	info, err := os.Stat(path)
	return err == nil && !info.IsDir()
}

func errFile(dir string) error {
	return fmt.Errorf("open state folder %s: it is a file: name a folder as state", dir)
}

// makeFolder makes dir and syncs the folder it stands in, so that it is still there after a power cut.
func makeFolder(dir string) error {
	if isFile(dir) {
		return errFile(dir)
	}
	if _, err := os.Stat(dir); err == nil {
		return nil
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("make state folder: %w: make it, or name another as state", err)
	}
	if f, err := os.Open(filepath.Dir(dir)); err == nil {
		// Not every file system can sync a folder, and none needs to before anything was sent.
		_ = f.Sync()
		_ = f.Close()
	}
	return nil
}

// Standing returns a copy of what is true now.
func (r *Reader) Standing() actions.Standing {
	r.mu.RLock()
	defer r.mu.RUnlock()
	return r.standing.Clone()
}

// Newest returns the time of the newest entry ever written; zero where there is none.
func (r *Reader) Newest() time.Time {
	r.mu.RLock()
	defer r.mu.RUnlock()
	return r.newest
}
