package feed

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"sync"

	"github.com/google/renameio/v2/maybe"
)

// A Folder is a [Store] of plain files, readable by their owner only. For a feed it keeps two: NAME-HASH.ics, the body,
// named after its own hash, and NAME.json, the rest. Writing NAME.json is the commit: before it, a crash leaves the old
// pair whole; after it, the new one. What is left over is cleared away by the next Save. It is safe for concurrent use.
type Folder struct {
	path string

	mu    sync.Mutex
	whole map[string]string // by name of feed: the hash of the body that is known to be on disk, whole
}

// Dir returns a store in the folder at path, which is made, with mode 0700, by the first Save.
func Dir(path string) *Folder { return &Folder{path: path, whole: map[string]string{}} }

// nameForm keeps names from leading out of the folder and from meeting each other's files.
var nameForm = regexp.MustCompile(`^[A-Za-z0-9_]{1,100}$`)

// Load returns what was saved, or false where nothing was.
func (d *Folder) Load(name string) (Saved, bool, error) {
	if !nameForm.MatchString(name) {
		return Saved{}, false, fmt.Errorf("load last good copy: %q is no name of a feed", name)
	}
	text, err := os.ReadFile(d.meta(name))
	if errors.Is(err, fs.ErrNotExist) {
		return Saved{}, false, nil
	}
	if err != nil {
		return Saved{}, false, fmt.Errorf("load last good copy of feed %s: %w", name, err)
	}
	var s Saved
	if err := json.Unmarshal(text, &s); err != nil {
		return Saved{}, false, d.damaged(name, err)
	}
	if len(s.Hash) != hex.EncodedLen(sha256.Size) || !nameForm.MatchString(s.Hash) {
		return Saved{}, false, d.damaged(name, errors.New("it names no body"))
	}
	if s.Body, err = os.ReadFile(d.body(name, s.Hash)); err != nil {
		return Saved{}, false, d.damaged(name, err)
	}
	if hashOf(s.Body) != s.Hash || !partsFit(s.Parts, len(s.Body)) {
		return Saved{}, false, d.damaged(name, errors.New("the body is not what was saved"))
	}
	d.setWhole(name, s.Hash)
	return s, true, nil
}

func (d *Folder) damaged(name string, err error) error {
	return fmt.Errorf("load last good copy of feed %s: %w: it is left aside, the next good poll replaces it", name, err)
}

// partsFit guards the slices that parts are used for.
func partsFit(parts []Part, size int) bool {
	at := 0
	for _, p := range parts {
		if p.Start < at || p.Start > size {
			return false
		}
		at = p.Start
	}
	return true
}

// Save keeps s durably. A body that is there already is not written again.
func (d *Folder) Save(name string, s Saved) error {
	if !nameForm.MatchString(name) {
		return fmt.Errorf("save last good copy: %q is no name of a feed", name)
	}
	if err := d.save(name, s); err != nil {
		return fmt.Errorf("save last good copy of feed %s: %w: check space and owner of %s", name, err, d.path)
	}
	return nil
}

func (d *Folder) save(name string, s Saved) error {
	if err := os.MkdirAll(d.path, 0o700); err != nil {
		return err
	}
	body := d.body(name, s.Hash)
	if !d.hasWhole(name, body, s) {
		if err := maybe.WriteFile(body, s.Body, 0o600); err != nil {
			return err
		}
		d.setWhole(name, s.Hash)
	}
	text, err := json.Marshal(s)
	if err != nil {
		return err
	}
	if err := maybe.WriteFile(d.meta(name), text, 0o600); err != nil {
		return err
	}
	return d.clear(name, filepath.Base(body))
}

func (d *Folder) setWhole(name, hash string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.whole[name] = hash
}

// hasWhole reports whether the body of s need not be written: this process wrote or read it, and nobody took it away.
func (d *Folder) hasWhole(name, path string, s Saved) bool {
	d.mu.Lock()
	known := d.whole[name] == s.Hash
	d.mu.Unlock()
	info, err := os.Stat(path)
	return known && err == nil && info.Size() == int64(len(s.Body))
}

// clear removes bodies of name other than keep, and what a crash left of unfinished writes.
func (d *Folder) clear(name, keep string) error {
	left := regexp.MustCompile(`^(` + name + `-[0-9a-f]+\.ics|\.` + name + `(-[0-9a-f]+\.ics|\.json)[0-9]+)$`)
	entries, err := os.ReadDir(d.path)
	if err != nil {
		return err
	}
	for _, e := range entries {
		if e.Name() != keep && left.MatchString(e.Name()) {
			if err := os.Remove(filepath.Join(d.path, e.Name())); err != nil {
				return err
			}
		}
	}
	return nil
}

func (d *Folder) meta(name string) string { return filepath.Join(d.path, name+".json") }

func (d *Folder) body(name, hash string) string {
	return filepath.Join(d.path, name+"-"+hash+".ics")
}

func hashOf(body []byte) string {
	sum := sha256.Sum256(body)
	return hex.EncodeToString(sum[:])
}
