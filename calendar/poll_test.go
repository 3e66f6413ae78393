//go:build unix

package calendar

import (
	"os"
	"syscall"
	"testing"
)

// TestPollCost reads the feed that SPILLWAY_POLL_FEED names, once, and tells what the process has used: .ci/calendar runs it
// beside testdata/calendar/libical_poll.c.
func TestPollCost(t *testing.T) {
	path := os.Getenv("SPILLWAY_POLL_FEED")
	if path == "" {
		t.Skip("SPILLWAY_POLL_FEED names no feed")
	}
	body, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	begin := cpu()
	res, err := Read(body, benchOptions())
	used := cpu() - begin
	if err != nil {
		t.Fatal(err)
	}
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	t.Logf("spillway: %d occurrences, whole %.3f s, %d MB", len(res.Occurrences), used.Seconds(), u.Maxrss/1024)
}
