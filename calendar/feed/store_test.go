package feed

import (
	"errors"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

func saved(body string) Saved {
	return Saved{
		Source: "s", Body: []byte(body), Hash: hashOf([]byte(body)), ETag: `"one"`, LastModified: "l", SyncToken: "t", CTag: "c",
		Listing: "i", From: start, To: start.Add(time.Hour), Good: start, Full: start,
		Parts: []Part{{Name: "a.ics", Line: 1, Stamp: "1/2"}, {Name: "b.ics", Start: 10, Line: 2}},
	}
}

func names(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range entries {
		out = append(out, e.Name())
	}
	return out
}

func TestDir(t *testing.T) {
	path := filepath.Join(t.TempDir(), "feeds")
	d := Dir(path)
	if _, ok, err := d.Load("house"); ok || err != nil {
		t.Fatalf("before any save: %v, %v", ok, err)
	}
	one, two := saved(cal("a")), saved(cal("b"))
	for _, s := range []Saved{one, two} {
		if err := d.Save("house", s); err != nil {
			t.Fatal(err)
		}
		got, ok, err := Dir(path).Load("house")
		if diff := cmp.Diff(s, got); !ok || err != nil || diff != "" {
			t.Fatalf("loaded %v, %v (-want +got):\n%s", ok, err, diff)
		}
	}
	if err := d.Save("house_2", one); err != nil {
		t.Fatal(err)
	}
	want := []string{"house-" + two.Hash + ".ics", "house.json", "house_2-" + one.Hash + ".ics", "house_2.json"}
	if diff := cmp.Diff(want, names(t, path)); diff != "" {
		t.Errorf("files (-want +got):\n%s", diff)
	}
	if runtime.GOOS == "windows" {
		return
	}
	for _, name := range append(want, ".") {
		info, err := os.Stat(filepath.Join(path, name))
		if err != nil {
			t.Fatal(err)
		}
		if info.Mode().Perm()&0o077 != 0 {
			t.Errorf("%s may be read by others: %v", name, info.Mode())
		}
	}
}

// Saving in two files: a crash between them, on either side of the commit, leaves one whole pair.
func TestDirCrash(t *testing.T) {
	path := t.TempDir()
	one, two := saved(cal("a")), saved(cal("b"))
	d := Dir(path)
	if err := d.Save("house", one); err != nil {
		t.Fatal(err)
	}
	// Before the commit: the new body and unfinished files are there, the old pair holds.
	writeFile(t, d.body("house", two.Hash), string(two.Body))
	writeFile(t, filepath.Join(path, ".house.json123456"), "{")
	writeFile(t, filepath.Join(path, ".house-"+two.Hash+".ics99"), "BEG")
	got, ok, err := d.Load("house")
	if diff := cmp.Diff(one, got); !ok || err != nil || diff != "" {
		t.Fatalf("loaded %v, %v (-want +got):\n%s", ok, err, diff)
	}
	// After the commit: the old body is still there, the new pair holds, and the next save clears up.
	if err := d.Save("house", two); err != nil {
		t.Fatal(err)
	}
	writeFile(t, d.body("house", one.Hash), string(one.Body))
	if got, _, err = d.Load("house"); err != nil || string(got.Body) != string(two.Body) {
		t.Fatalf("loaded %q, %v", got.Body, err)
	}
	if err := d.Save("house", two); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"house-" + two.Hash + ".ics", "house.json"}, names(t, path)); diff != "" {
		t.Errorf("files (-want +got):\n%s", diff)
	}
}

// What is damaged is said, is no copy, and is replaced by the next save.
func TestDirDamaged(t *testing.T) {
	s := saved(cal("a"))
	tests := map[string]func(d *Folder){
		"no json":        func(d *Folder) { writeFile(t, d.meta("house"), "{") },
		"empty json":     func(d *Folder) { writeFile(t, d.meta("house"), "{}") },
		"hash of a path": func(d *Folder) { writeFile(t, d.meta("house"), `{"hash":"`+strings.Repeat("../x", 16)+`"}`) },
		"no body":        func(d *Folder) { _ = os.Remove(d.body("house", s.Hash)) },
		"body cut":       func(d *Folder) { writeFile(t, d.body("house", s.Hash), cal("a")[:9]) },
		"body other":     func(d *Folder) { writeFile(t, d.body("house", s.Hash), cal("b")) },
		"parts beyond it": func(d *Folder) {
			text, _ := os.ReadFile(d.meta("house"))
			writeFile(t, d.meta("house"), strings.Replace(string(text), `"start":10`, `"start":99999`, 1))
		},
		"parts backwards": func(d *Folder) {
			text, _ := os.ReadFile(d.meta("house"))
			writeFile(t, d.meta("house"), strings.Replace(string(text), `"start":0`, `"start":11`, 1))
		},
	}
	for name, damage := range tests {
		d := Dir(t.TempDir())
		if err := d.Save("house", s); err != nil {
			t.Fatal(err)
		}
		damage(d)
		d = Dir(d.path) // a restart
		if got, ok, err := d.Load("house"); ok || err == nil || got.Body != nil {
			t.Errorf("%s: loaded %v, %q, %v", name, ok, got.Body, err)
		}
		if err := d.Save("house", s); err != nil {
			t.Fatal(err)
		}
		if _, ok, err := d.Load("house"); !ok || err != nil {
			t.Errorf("%s, after the next save: %v, %v", name, ok, err)
		}
	}
}

func TestDirNames(t *testing.T) {
	d := Dir(t.TempDir())
	for _, name := range []string{"", "..", "a/b", `a\b`, "a-b", "a.b", "a\x00"} {
		if err := d.Save(name, saved(cal())); err == nil {
			t.Errorf("%q is saved", name)
		}
		if _, _, err := d.Load(name); err == nil {
			t.Errorf("%q is loaded", name)
		}
	}
}

// The copy survives a restart with its validators and the time it was good; another address starts afresh.
func TestRestart(t *testing.T) {
	dir := t.TempDir()
	var asked cell[string]
	s := serve(t, func(w http.ResponseWriter, r *http.Request) {
		asked.set(r.Header.Get("If-None-Match"))
		w.Header().Set("ETag", `"one"`)
		switch {
		case r.URL.Path == "/down":
			w.WriteHeader(500)
		case asked.get() == `"one"`:
			w.WriteHeader(http.StatusNotModified)
		default:
			_, _ = io.WriteString(w, cal("a"))
		}
	})
	c := newClock()
	spec := Spec{Name: "house", URL: s.URL + "/a.ics"}
	o := Options{Store: Dir(dir), Now: c.now}
	f := open(t, spec, o)
	if r := f.Current(); r.Body != nil || !r.Polled.IsZero() || !r.Good.IsZero() || r.Age(c.now()) != 0 {
		t.Errorf("before the first poll: %+v", r)
	}
	good(t, f)
	c.turn(10 * time.Minute)
	good(t, f) // 304; its time is saved by Close
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}

	c.turn(time.Hour)
	f = open(t, spec, o)
	if r := f.Current(); string(r.Body) != cal("a") || r.Age(c.now()) != time.Hour || r.StoreErr != nil {
		t.Errorf("after the restart: %q, age %v, %v", r.Body, r.Age(c.now()), r.StoreErr)
	}
	if r := good(t, f); r.Unchanged || string(r.Body) != cal("a") || asked.get() != `"one"` {
		t.Errorf("first poll after it: unchanged %v, body %q, asked under %q", r.Unchanged, r.Body, asked.get())
	}
	if r := good(t, f); !r.Unchanged {
		t.Error("second poll after it: changed")
	}

	other := spec
	other.URL = s.URL + "/down"
	if r := bad(t, open(t, other, o), "answered 500"); r.Body != nil {
		t.Errorf("another address has the copy %q", r.Body)
	}
	if asked.get() != "" {
		t.Errorf("another address was asked under %q", asked.get())
	}
}

// After a restart a source that is down still has its copy.
func TestRestartWhileDown(t *testing.T) {
	s := serve(t, func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, cal("a")) })
	spec := Spec{Name: "house", URL: s.URL}
	o := Options{Store: Dir(t.TempDir())}
	first := good(t, open(t, spec, o))
	s.Close()
	r := bad(t, open(t, spec, o), "cannot be reached")
	if string(r.Body) != cal("a") || r.Hash != first.Hash || r.Unchanged || r.Good.IsZero() {
		t.Errorf("body %q, unchanged %v, good %v", r.Body, r.Unchanged, r.Good)
	}
}

// A folder's members, too, keep their own last good copies over a restart.
func TestRestartOfFolder(t *testing.T) {
	dir := t.TempDir()
	writeFile(t, filepath.Join(dir, "a.ics"), cal("a"))
	writeFile(t, filepath.Join(dir, "b.ics"), cal("b"))
	spec := Spec{Name: "house", URL: dir}
	o := Options{Store: Dir(t.TempDir())}
	good(t, open(t, spec, o))
	writeFile(t, filepath.Join(dir, "a.ics"), "")
	if r := good(t, open(t, spec, o)); string(r.Body) != cal("a")+cal("b") || len(r.Problems) != 1 {
		t.Errorf("body %q, problems %v", r.Body, r.Problems)
	}
}

// A flaky store fails as long as full is set; it counts what it is asked to save.
type flaky struct {
	full   bool
	saves  int
	bodies []string
}

var errFull = errors.New("no space left on device")

func (s *flaky) Load(string) (Saved, bool, error) { return Saved{}, false, nil }

func (s *flaky) Save(_ string, v Saved) error {
	s.saves++
	if s.full {
		return errFull
	}
	s.bodies = append(s.bodies, string(v.Body))
	return nil
}

// A full disk loses nothing that is in memory, makes no poll a failed one, and is tried again.
func TestFullDisk(t *testing.T) {
	store := &flaky{full: true}
	s := serve(t, func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("ETag", `"one"`)
		if r.Header.Get("If-None-Match") == `"one"` {
			w.WriteHeader(http.StatusNotModified)
			return
		}
		_, _ = io.WriteString(w, cal("a"))
	})
	f := open(t, Spec{Name: "house", URL: s.URL}, Options{Store: store})
	if r := good(t, f); !errors.Is(r.StoreErr, errFull) || string(r.Body) != cal("a") {
		t.Errorf("body %q, store %v", r.Body, r.StoreErr)
	}
	if r := good(t, f); !errors.Is(r.StoreErr, errFull) || string(r.Body) != cal("a") || !r.Unchanged {
		t.Errorf("body %q, store %v", r.Body, r.StoreErr)
	}
	store.full = false
	if r := good(t, f); r.StoreErr != nil {
		t.Errorf("store %v", r.StoreErr)
	}
	if diff := cmp.Diff([]string{cal("a")}, store.bodies); diff != "" {
		t.Errorf("saved (-want +got):\n%s", diff)
	}
}

// A folder that cannot be made is told with what to do.
func TestDirBelowFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "file")
	writeFile(t, path, "")
	err := Dir(filepath.Join(path, "feeds")).Save("house", saved(cal("a")))
	if err == nil || !strings.Contains(err.Error(), "check space and owner of "+path) {
		t.Errorf("error %v", err)
	}
}

// An unchanged copy is saved once an hour, for its time, and not at every poll.
func TestSavesAreFew(t *testing.T) {
	store := &flaky{}
	var body cell[string]
	body.set(cal("a"))
	s := serve(t, func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, body.get()) })
	c := newClock()
	f := open(t, Spec{Name: "house", URL: s.URL}, Options{Store: store, Now: c.now})
	for range 60 {
		good(t, f)
		c.turn(time.Minute)
	}
	if store.saves != 1 {
		t.Errorf("%d saves within an hour of one body", store.saves)
	}
	good(t, f)
	if store.saves != 2 {
		t.Errorf("%d saves after an hour", store.saves)
	}
	body.set(cal("b"))
	good(t, f)
	if store.saves != 3 {
		t.Errorf("%d saves after a change", store.saves)
	}
}

// A store that cannot be read does not keep the feed from working.
func TestDamagedStoreAtStart(t *testing.T) {
	s := serve(t, func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, cal("a")) })
	d := Dir(t.TempDir())
	writeFile(t, d.meta("house"), "{")
	f := open(t, Spec{Name: "house", URL: s.URL}, Options{Store: d})
	if r := f.Current(); r.StoreErr == nil || !strings.Contains(r.StoreErr.Error(), "the next good poll replaces it") {
		t.Errorf("store %v", r.StoreErr)
	}
	if r := good(t, f); r.StoreErr != nil {
		t.Errorf("store %v", r.StoreErr)
	}
	if _, ok, err := d.Load("house"); !ok || err != nil {
		t.Errorf("loaded %v, %v", ok, err)
	}
}
