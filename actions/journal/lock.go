package journal

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/gofrs/flock"
)

// A folderLock keeps a second process out of a state folder. The operating system lets go of it when the process ends,
// however it ends.
type folderLock struct {
	f   *flock.Flock
	pid string // path of the file that tells others who holds it
}

// A HeldError says that another process has the state folder open.
type HeldError struct {
	Folder string
	By     string // which, as far as that is known
}

// Error returns what, where and what to do.
func (e *HeldError) Error() string {
	return fmt.Sprintf("lock state folder %s: %s has it open: stop that one first, or name another folder as state", e.Folder, e.By)
}

func lockFolder(dir string) (*folderLock, error) {
	l := &folderLock{
		f:   flock.New(filepath.Join(dir, "spillway.lock"), flock.SetPermissions(0o600)),
		pid: filepath.Join(dir, "spillway.pid"),
	}
	got, err := l.f.TryLock()
	if err != nil {
		return nil, fmt.Errorf("lock state folder %s: %w: check that it can be written to", dir, err)
	}
	if !got {
		return nil, &HeldError{Folder: dir, By: l.holder()}
	}
	// Who holds it is only for people to read, and stands in a file of its own because Windows lets nobody read a
	// locked one. A full disk must not stop a restart that has points to give back.
	_ = os.WriteFile(l.pid, []byte(strconv.Itoa(os.Getpid())+"\n"), 0o600)
	return l, nil
}

func (l *folderLock) holder() string {
	b, err := os.ReadFile(l.pid)
	pid, errPID := strconv.Atoi(strings.TrimSpace(string(b)))
	if err != nil || errPID != nil {
		return "another process"
	}
	return "process " + strconv.Itoa(pid)
}

func (l *folderLock) release() error {
	_ = os.Remove(l.pid)
	return l.f.Close()
}
