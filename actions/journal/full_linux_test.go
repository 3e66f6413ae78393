package journal_test

import (
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"spillway/actions/journal"
)

// A file system that fills up: writes fail in one line, nothing changes, and it goes on when there is space again.
func TestFileSystemFillsUp(t *testing.T) {
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=512k"); err != nil {
		t.Skipf("mounting a small file system takes root: %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	})
	j := open(t, dir)
	before := j.Standing()
	var err error
	for i := 0; err == nil && i < 10_000; i++ {
		before = j.Standing()
		e := intent("s"+strconv.Itoa(i), time.Duration(i)*time.Second)
		e.Step.Why = strings.Repeat("why ", 1000)
		err = j.Write(t.Context(), e)
	}
	if err == nil || strings.Contains(err.Error(), "\n") || !strings.Contains(err.Error(), "free some space") {
		t.Fatalf("not one line with a cure: %v", err)
	}
	if d := cmp.Diff(before, j.Standing()); d != "" {
		t.Errorf("standing after a write that failed (-before +after):\n%s", d)
	}
	if err := j.Put(t.Context(), "k", []byte(strings.Repeat("v", 1<<19))); err == nil {
		t.Error("a value larger than the file system was kept")
	}

	// A power cut now loses nothing that was kept.
	elsewhere := t.TempDir()
	for _, name := range []string{journal.File, journal.File + "-wal"} {
		write(t, filepath.Join(elsewhere, name), read(t, filepath.Join(dir, name)))
	}
	if d := cmp.Diff(before, open(t, elsewhere).Standing()); d != "" {
		t.Errorf("standing after a cut (-before +after):\n%s", d)
	}

	if err := syscall.Mount("tmpfs", dir, "tmpfs", syscall.MS_REMOUNT, "size=4m"); err != nil {
		t.Fatal(err)
	}
	if err := j.Write(t.Context(), intent("later", time.Hour)); err != nil {
		t.Fatalf("with space again: %v", err)
	}
	want := j.Standing()
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	j = open(t, dir)
	if d := cmp.Diff(want, j.Standing()); d != "" {
		t.Errorf("standing after opening again (-before +after):\n%s", d)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
}
