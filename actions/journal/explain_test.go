package journal

import (
	"io/fs"
	"strings"
	"syscall"
	"testing"
)

// What the system refuses is one line with what was tried, on which file, and what to do.
func TestExplain(t *testing.T) {
	r := &Reader{path: "/var/lib/spillway/spillway.db"}
	for code, want := range map[syscall.Errno]string{
		syscall.EACCES: "open journal /var/lib/spillway/spillway.db: its folder is closed to this user: run this as the user that Spillway runs as",
		syscall.ENOSPC: "open journal /var/lib/spillway/spillway.db: the disk is full: free some space",
	} {
		err := r.explain("open", &fs.PathError{Op: "stat", Path: r.path, Err: code})
		if err == nil || !strings.HasPrefix(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%v: %v, want it to begin with %s", code, err, want)
		}
	}
}
