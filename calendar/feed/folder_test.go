package feed

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"spillway/calendar"
)

func TestFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "house.ics")
	for _, url := range []string{path, "file://" + filepath.ToSlash(path)} {
		_ = os.Remove(path)
		c := newClock()
		f := open(t, Spec{Name: "house", URL: url, Poll: time.Minute}, Options{Now: c.now})
		r := bad(t, f, "feed house ("+path+") is not there: check feeds.house.url")
		if r.Body != nil || r.Next.Sub(c.now()) != time.Minute {
			t.Errorf("body %q, next in %v", r.Body, r.Next.Sub(c.now()))
		}
		writeFile(t, path, cal("a"))
		if r := good(t, f); string(r.Body) != cal("a") || r.Unchanged {
			t.Errorf("body %q, unchanged %v", r.Body, r.Unchanged)
		}
		for name, text := range map[string]string{"is empty of bytes": "", "ends before END:VCALENDAR": cal("b")[:60], "gave no iCalendar data": "<p>"} {
			writeFile(t, path, text)
			if r := bad(t, f, name); string(r.Body) != cal("a") {
				t.Errorf("%s: body %q", name, r.Body)
			}
		}
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
		if r := bad(t, f, "is not there"); string(r.Body) != cal("a") {
			t.Errorf("body %q", r.Body)
		}
	}
}

// A file's time and size tell that it is unchanged, once it is old enough, for a day; before that it is read.
func TestFileStamp(t *testing.T) {
	path := filepath.Join(t.TempDir(), "house.ics")
	c := newClock()
	f := open(t, Spec{URL: path}, Options{Now: c.now})
	// The times of all that is written are the same, and so are the sizes.
	write := func(text string, at time.Time) {
		t.Helper()
		writeFile(t, path, text)
		if err := os.Chtimes(path, at, at); err != nil {
			t.Fatal(err)
		}
	}
	fresh, old := time.Now().Add(time.Hour), time.Now().Add(-time.Hour)
	write(cal("a"), fresh)
	good(t, f)
	write(cal("b"), fresh)
	if r := good(t, f); string(r.Body) != cal("b") {
		t.Errorf("a change within the file's time went unseen: %q", r.Body)
	}
	write(cal("b"), old)
	good(t, f)
	write(cal("c"), old)
	if r := good(t, f); string(r.Body) != cal("b") || !r.Unchanged {
		t.Errorf("a file of old time and same size was read: %q", r.Body)
	}
	c.turn(24 * time.Hour)
	if r := good(t, f); string(r.Body) != cal("c") || r.Unchanged {
		t.Errorf("after a day it was not read: %q", r.Body)
	}
	write(cal("d"), old.Add(-time.Hour))
	if r := good(t, f); string(r.Body) != cal("d") || r.Unchanged {
		t.Errorf("a new time went unseen: %q", r.Body)
	}
}

func TestFileKinds(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("no device files there")
	}
	bad(t, open(t, Spec{URL: os.DevNull}, Options{}), "is neither a file nor a folder")
	path := filepath.Join(t.TempDir(), "big.ics")
	writeFile(t, path, bigCal(10_000))
	if r := bad(t, open(t, Spec{URL: path, MaxBody: 5000}, Options{}), "is larger than 5000 bytes"); !errors.Is(r.Err, ErrTooBig) {
		t.Errorf("error %v", r.Err)
	}
}

func TestFolder(t *testing.T) {
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	f := open(t, Spec{Name: "house", URL: dir}, Options{})

	if r := good(t, f); string(r.Body) != emptyCalendar || len(r.Problems) != 0 {
		t.Errorf("empty folder: %q, %v", r.Body, r.Problems)
	}
	writeFile(t, in("b.ics"), strings.TrimSpace(cal("b"))) // without a last line end
	writeFile(t, in("a.ICS"), "\xef\xbb\xbf"+cal("a"))
	writeFile(t, in("c.ics"), cal("c1", "c2"))
	writeFile(t, in("notes.txt"), "not read")
	writeFile(t, in(".half.ics"), "not read")
	writeFile(t, filepath.Join(dir, "deeper.ics", "d.ics"), cal("not read"))
	r := good(t, f)
	if want := cal("a") + cal("b") + cal("c1", "c2"); string(r.Body) != want {
		t.Errorf("body %q, want %q", r.Body, want)
	}
	if err := checkBody(r.Body); err != nil {
		t.Error(err)
	}
	lines := strings.Count(cal("a"), "\n")
	type at struct {
		Name string
		Line int
	}
	got := []at{}
	for _, line := range []int{1, lines, lines + 1, 2 * lines, 2*lines + 3} {
		name, in := r.Locate(line)
		got = append(got, at{name, in})
	}
	want := []at{{"a.ICS", 1}, {"a.ICS", lines}, {"b.ics", 1}, {"b.ics", lines}, {"c.ics", 3}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("Locate (-want +got):\n%s", diff)
	}
	if r := good(t, f); !r.Unchanged {
		t.Error("nothing changed and it is told as changed")
	}

	// One bad file does not spoil the others, and what it held before stays.
	writeFile(t, in("b.ics"), cal("b")[:50])
	writeFile(t, in("bad.ics"), "<p>")
	writeFile(t, in("c.ics"), cal("c3"))
	r = good(t, f)
	if want := cal("a") + cal("b") + cal("c3"); string(r.Body) != want {
		t.Errorf("body %q, want %q", r.Body, want)
	}
	wantProblems := []calendar.Problem{
		{Where: "b.ics", What: "the body ends before END:VCALENDAR: its last good copy stays in force"},
		{Where: "bad.ics", What: "it is a page in HTML or XML: the body is no iCalendar data: it is left out"},
	}
	if diff := cmp.Diff(wantProblems, r.Problems); diff != "" {
		t.Errorf("problems (-want +got):\n%s", diff)
	}
	for _, name := range []string{"a.ICS", "b.ics", "bad.ics", "c.ics"} {
		age(t, in(name), time.Hour)
	}
	for range 2 {
		if r := good(t, f); !r.Unchanged || len(r.Problems) != 2 {
			t.Errorf("unchanged %v, problems %v", r.Unchanged, r.Problems)
		}
	}

	// A file that is gone is gone with its events.
	for _, name := range []string{"b.ics", "bad.ics"} {
		if err := os.Remove(in(name)); err != nil {
			t.Fatal(err)
		}
	}
	if r := good(t, f); string(r.Body) != cal("a")+cal("c3") || len(r.Problems) != 0 {
		t.Errorf("body %q, problems %v", r.Body, r.Problems)
	}

	// A folder that is gone is a failed poll.
	if err := os.Rename(dir, dir+"x"); err != nil {
		t.Fatal(err)
	}
	if r := bad(t, f, "is not there"); string(r.Body) != cal("a")+cal("c3") {
		t.Errorf("body %q", r.Body)
	}
	if err := os.Rename(dir+"x", dir); err != nil {
		t.Fatal(err)
	}
}

// A file that is no calendar is one fault, though there never was a good copy; so is a folder that holds one such file.
func TestFileBadAtFirst(t *testing.T) {
	for text, want := range map[string]string{
		"":                              "is empty of bytes: ",
		"\x89PNG\r\n\x1a\n\x00\x00\x00": "gave no iCalendar data: it is image/png: ",
		"<p>":                           "gave no iCalendar data: it is a page",
	} {
		path := filepath.Join(t.TempDir(), "house.ics")
		writeFile(t, path, text)
		if r := bad(t, open(t, Spec{Name: "house", URL: path}, Options{}), "feed house ("+path+") "+want); r.Body != nil {
			t.Errorf("a body comes of it: %q", r.Body)
		}
		bad(t, open(t, Spec{Name: "house", URL: filepath.Dir(path)}, Options{}), "holds one calendar, house.ics, which cannot be used: ", ": mend or remove it")
	}
}

func TestFolderOfBadFiles(t *testing.T) {
	dir := t.TempDir()
	writeFile(t, filepath.Join(dir, "a.ics"), "")
	writeFile(t, filepath.Join(dir, "b.ics"), "<p>")
	f := open(t, Spec{Name: "house", URL: dir}, Options{})
	r := bad(t, f, "holds 2 calendars and none can be used; of a.ics it says: the body is empty: mend or remove them")
	if r.Body != nil || !errors.Is(r.Err, calendar.ErrEmpty) {
		t.Errorf("body %q, error %v", r.Body, r.Err)
	}
	if err := os.Symlink(filepath.Join(dir, "nowhere"), filepath.Join(dir, "c.ics")); err != nil {
		t.Skip("no symbolic links here")
	}
	writeFile(t, filepath.Join(dir, "d.ics"), cal("d"))
	if r := good(t, f); string(r.Body) != cal("d") || len(r.Problems) != 3 {
		t.Errorf("body %q, problems %v", r.Body, r.Problems)
	}
}

func TestFolderLimit(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{"a.ics", "b.ics", "c.ics"} {
		writeFile(t, filepath.Join(dir, name), cal("a"))
	}
	one := int64(len(cal("a")))
	good(t, open(t, Spec{URL: dir, MaxBody: 3 * one}, Options{}))
	bad(t, open(t, Spec{URL: dir, MaxBody: 3*one - 1}, Options{}), "is larger than")
	// One file that is too large by itself is one bad file.
	writeFile(t, filepath.Join(dir, "big.ics"), bigCal(int(3*one)))
	if r := good(t, open(t, Spec{URL: dir, MaxBody: 3 * one}, Options{})); len(r.Problems) != 1 || r.Problems[0].Where != "big.ics" {
		t.Errorf("problems %v", r.Problems)
	}
}

func TestReadOnce(t *testing.T) {
	path := filepath.Join(t.TempDir(), "house.ics")
	writeFile(t, path, cal("a"))
	r, err := ReadOnce(t.Context(), Spec{URL: path}, Options{})
	if err != nil || string(r.Body) != cal("a") || r.Hash != hashOf(r.Body) {
		t.Errorf("body %q, error %v", r.Body, err)
	}
	writeFile(t, path, "<p>")
	_, err = ReadOnce(t.Context(), Spec{URL: path}, Options{})
	want := path + " gave no iCalendar data: it is a page in HTML or XML: the body is no iCalendar data: " +
		"check that the address leads to the .ics and not to a page"
	if err == nil || err.Error() != want || !errors.Is(err, calendar.ErrNotCalendar) {
		t.Errorf("error %v, want %s", err, want)
	}
	if _, err = ReadOnce(t.Context(), Spec{}, Options{}); err == nil {
		t.Error("no error for no address")
	}
}

// On the command line a pipe will do.
func TestReadOnceFromPipe(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("/dev/fd is looked for on Linux only")
	}
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = r.Close() }()
	go func() {
		_, _ = w.WriteString(cal("a"))
		_ = w.Close()
	}()
	got, err := ReadOnce(t.Context(), Spec{URL: fmt.Sprintf("/dev/fd/%d", r.Fd())}, Options{})
	if err != nil || string(got.Body) != cal("a") {
		t.Errorf("body %q, error %v", got.Body, err)
	}
}
