package journal_test

import (
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"spillway/actions/journal"
)

// A folder that someone gave to a group, as the package does, is one whose journal the group may read, also while nobody
// has it open and the reader may not write to the folder.
func TestGroupReads(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("modes are those of Unix")
	}
	dir := filepath.Join(t.TempDir(), "state")
	if err := os.Mkdir(dir, 0o750); err != nil {
		t.Fatal(err)
	}
	j := open(t, dir)
	if err := j.Write(t.Context(), intent("s1", 0)); err != nil {
		t.Fatal(err)
	}
	info, err := os.Stat(filepath.Join(dir, journal.File))
	if err != nil || info.Mode().Perm()&^0o022 != 0o640 {
		t.Errorf("mode %v, %v; want 0640", info.Mode(), err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if os.Getuid() == 0 {
		t.Skip("root may write everywhere")
	}
	if err := os.Chmod(dir, 0o550); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.Chmod(dir, 0o750) }) // so that it can be removed
	r, err := journal.OpenReadOnly(dir)
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Standing().Points) != 1 {
		t.Error("the reader does not see what was written")
	}
	if err := r.Close(); err != nil {
		t.Error(err)
	}
}
