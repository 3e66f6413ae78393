package journal_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"
	"pgregory.net/rapid"

	"spillway/actions"
	"spillway/actions/journal"
	"spillway/actions/journal/journaltest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func open(t testing.TB, dir string) *journal.Journal {
	t.Helper()
	j, err := journal.Open(dir, journal.Options{Now: func() time.Time { return at(0) }})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = j.Close() }) // a test that closes it looks at the error itself
	return j
}

func at(d time.Duration) time.Time { return time.Date(2026, 5, 2, 12, 58, 30, 0, time.UTC).Add(d) }

func intent(id string, d time.Duration) actions.Entry {
	return actions.Entry{Kind: actions.EntryIntent, At: at(d), Tries: 1, Step: actions.Step{
		ID: id, Window: "w1", Phase: actions.PhaseLeadIn, At: at(d), Link: "barn",
		Point: actions.Ref{Device: "barn_battery", Point: "charge_power"}, Value: actions.Number(5000),
	}}
}

type folder struct{ dir string }

func (f folder) Open(t testing.TB) journaltest.Journal { return open(t, f.dir) }

func (f folder) Full(t testing.TB, j journaltest.Journal, full bool) {
	t.Helper()
	pages := 1 << 30
	if full {
		pages = 1
	}
	if err := j.(*journal.Journal).LimitPages(pages); err != nil {
		t.Fatal(err)
	}
}

func TestSuite(t *testing.T) {
	journaltest.Run(t, func(t testing.TB) journaltest.Medium { return folder{fresh(t)} })
}

// fresh makes a folder of its own for each draw of a property.
func fresh(t testing.TB) string {
	t.Helper()
	dir, err := os.MkdirTemp(t.TempDir(), "state")
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

// Write applies entries to the rows that it thinks they touch. This fails when Apply comes to touch others.
func TestPartIsEnough(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		whole := actions.NewStanding()
		for _, batch := range rapid.SliceOfN(journaltest.Entries(), 1, 20).Draw(t, "batches") {
			batch = journal.Clean(batch)
			before := whole.Clone()
			part := journal.Part(whole, batch)
			was := part.Clone()
			for _, e := range batch {
				whole.Apply(e)
				part.Apply(e)
			}
			for what, d := range map[string]string{
				"points": differ(before.Points, was.Points, part.Points, whole.Points),
				"links":  differ(before.Links, was.Links, part.Links, whole.Links),
				"steps":  differ(before.Steps, was.Steps, part.Steps, whole.Steps),
				"down":   differ(before.Down, was.Down, part.Down, whole.Down),
			} {
				if d != "" {
					t.Fatalf("%s (-whole +part):\n%s", what, d)
				}
			}
		}
	})
}

// differ puts what became of the part back into what was before, and compares that with what became of the whole.
func differ[K comparable, V any](before, was, part, whole map[K]V) string {
	for k := range was {
		delete(before, k)
	}
	for k, v := range part {
		before[k] = v
	}
	return cmp.Diff(whole, before)
}

func TestFolder(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "deep", "state 1?#%")
	j := open(t, dir)
	if err := j.Write(t.Context(), intent("s1", 0)); err != nil {
		t.Fatal(err)
	}
	if runtime.GOOS == "windows" {
		t.Skip("modes are those of Unix")
	}
	files, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	info, _ := os.Stat(dir)
	if info.Mode().Perm() != 0o700 {
		t.Errorf("folder has mode %v, want 0700", info.Mode().Perm())
	}
	for _, f := range files {
		if info, _ := f.Info(); info.Mode().Perm()&0o077 != 0 {
			t.Errorf("%s can be read by others: mode %v", f.Name(), info.Mode().Perm())
		}
	}
	if len(files) < 3 {
		t.Errorf("found only %v", files)
	}
}

func TestSecondOpenIsRefused(t *testing.T) {
	dir := t.TempDir()
	j := open(t, dir)
	_, err := journal.Open(dir, journal.Options{})
	if err == nil {
		t.Fatal("a second journal opened on one folder")
	}
	for _, want := range []string{dir, "process " + strconv.Itoa(os.Getpid()), "stop"} {
		if !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("not one line with %q: %v", want, err)
		}
	}
	if err := j.Write(t.Context(), intent("s1", 0)); err != nil {
		t.Errorf("the first one stopped working: %v", err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	open(t, dir)
}

func TestRefusedFiles(t *testing.T) {
	for _, c := range []struct {
		name string
		make func(t *testing.T, dir string)
		want string
	}{
		{"newer schema", func(t *testing.T, dir string) {
			j := open(t, dir)
			if err := j.Exec("PRAGMA user_version = 9999"); err != nil {
				t.Fatal(err)
			}
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
		}, "newer spillway"},
		{"no database", func(t *testing.T, dir string) {
			if err := os.WriteFile(filepath.Join(dir, journal.File), []byte(strings.Repeat("no database. ", 400)), 0o600); err != nil {
				t.Fatal(err)
			}
		}, "damaged"},
		{"another program's", func(t *testing.T, dir string) {
			j := open(t, dir)
			if err := j.Exec("PRAGMA application_id = 1"); err != nil {
				t.Fatal(err)
			}
			if err := j.Close(); err != nil {
				t.Fatal(err)
			}
		}, "no journal of spillway"},
		{"a file as folder", func(t *testing.T, dir string) {
			if err := os.Remove(dir); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(dir, nil, 0o600); err != nil {
				t.Fatal(err)
			}
		}, "it is a file: name a folder as state"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := fresh(t)
			c.make(t, dir)
			for range 2 { // the lock of a failed start must not be in the way of the next
				_, err := journal.Open(dir, journal.Options{})
				if err == nil || strings.Contains(err.Error(), "\n") || !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), dir) {
					t.Errorf("not one line with %q: %v", c.want, err)
				}
			}
			if c.want == "" {
				return
			}
			_, err := journal.OpenReadOnly(dir)
			if err == nil || strings.Contains(err.Error(), "\n") || !strings.Contains(err.Error(), c.want) {
				t.Errorf("read-only: not one line with %q: %v", c.want, err)
			}
		})
	}
}

func TestReadOnly(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "state")
	for _, d := range []string{dir, ""} {
		r, err := journal.OpenReadOnly(d)
		if err != nil {
			t.Fatal(err)
		}
		if lines, err := r.Log(t.Context(), journal.Query{}); len(r.Standing().Steps) != 0 || lines != nil || err != nil {
			t.Errorf("where there is nothing: %v, %v, %v", r.Standing(), lines, err)
		}
		if _, found, err := r.Get(t.Context(), "k"); found || err != nil {
			t.Errorf("where there is nothing: found %v, %v", found, err)
		}
		if err := r.Close(); err != nil {
			t.Error(err)
		}
	}
	if _, err := os.Stat(dir); !os.IsNotExist(err) {
		t.Errorf("reading made the folder: %v", err)
	}

	j := open(t, dir)
	if err := j.Write(t.Context(), intent("s1", 0)); err != nil {
		t.Fatal(err)
	}
	r, err := journal.OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = r.Close() }()
	if d := cmp.Diff(j.Standing(), r.Standing()); d != "" {
		t.Errorf("standing beside the writer (-writer +reader):\n%s", d)
	}
	if !r.Newest().Equal(at(0)) {
		t.Errorf("newest is %v", r.Newest())
	}
	if err := j.Write(t.Context(), intent("s2", time.Second)); err != nil {
		t.Fatal(err)
	}
	if lines, err := r.Log(t.Context(), journal.Query{}); len(lines) != 2 || err != nil {
		t.Errorf("the reader sees %d lines of 2, %v", len(lines), err)
	}
}

// A process that was killed leaves its log unfinished, and whoever only reads must see what it committed.
func TestReadOnlyAfterKill(t *testing.T) {
	dir := killed(t, 5)
	r, err := journal.OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = r.Close() }()
	if n := len(r.Standing().Steps); n < 5 {
		t.Errorf("%d steps, want at least 5", n)
	}
}

// killed returns a folder whose journal was written to by a process that was killed after n entries or more.
func killed(t *testing.T, n int) string {
	t.Helper()
	dir := t.TempDir()
	cmd := exec.Command(os.Args[0], "-test.run=^TestWriteUntilKilled$")
	cmd.Env = append(os.Environ(), "JOURNAL_TEST_DIR="+dir)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	buf := make([]byte, 64)
	for seen := 0; seen < n; {
		k, err := out.Read(buf)
		if err != nil {
			t.Fatal(err)
		}
		seen += strings.Count(string(buf[:k]), "\n")
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait() // it was killed
	return dir
}

// TestWriteUntilKilled is the process that killed kills.
func TestWriteUntilKilled(t *testing.T) {
	dir := os.Getenv("JOURNAL_TEST_DIR")
	if dir == "" {
		t.Skip("runs as a process of other tests")
	}
	j := open(t, dir)
	for i := range 100_000 {
		if err := j.Write(t.Context(), intent("s"+strconv.Itoa(i), time.Duration(i)*time.Second)); err != nil {
			t.Fatal(err)
		}
		_, _ = os.Stdout.WriteString(strconv.Itoa(i) + "\n")
	}
}

// What was acknowledged before SIGKILL is there afterwards, and the lock is not.
func TestKill(t *testing.T) {
	for n := range 5 {
		dir := killed(t, n*7+1)
		j := open(t, dir)
		steps := j.Standing().Steps
		if len(steps) < n*7+1 {
			t.Errorf("%d steps are left of %d acknowledged", len(steps), n*7+1)
		}
		for i := range len(steps) {
			if _, ok := steps["s"+strconv.Itoa(i)]; !ok {
				t.Errorf("step %d is missing among %d", i, len(steps))
			}
		}
		if err := j.Write(t.Context(), intent("again", time.Hour)); err != nil {
			t.Error(err)
		}
	}
}
