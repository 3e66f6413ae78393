package main

import (
	"context"
	"errors"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"spillway/actions"
	"spillway/actions/run"
)

// TestNotify speaks to a service manager's socket (sd_notify(3)).
func TestNotify(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("service managers of this kind are on Linux")
	}
	dir, err := os.MkdirTemp("", "notify")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	at := &net.UnixAddr{Name: filepath.Join(dir, "s"), Net: "unixgram"}
	manager, err := net.ListenUnixgram("unixgram", at)
	if err != nil {
		t.Fatal(err)
	}
	defer manager.Close()
	t.Setenv("NOTIFY_SOCKET", at.Name)
	n := newNotifier()
	hears := func(want string) {
		t.Helper()
		buf := make([]byte, 4096)
		if err := manager.SetReadDeadline(time.Now().Add(5 * time.Second)); err != nil {
			t.Fatal(err)
		}
		got, err := manager.Read(buf)
		if err != nil {
			t.Fatalf("waited in vain for %s: %v", want, err)
		}
		if !regexp.MustCompile("^(?:" + want + ")$").MatchString(string(buf[:got])) {
			t.Errorf("got %q, want %s", buf[:got], want)
		}
	}
	s := run.Snapshot{Plan: &actions.Plan{}}
	n.state(s, &actions.Premises{Zone: time.UTC})
	hears(`READY=1\nSTATUS=nothing is held; no window is ahead`)
	n.state(s, &actions.Premises{Zone: time.UTC}) // nothing new, so nothing is said
	s.Troubles = []run.Trouble{{Where: "barn", What: "cannot be reached"}}
	n.state(s, &actions.Premises{Zone: time.UTC})
	hears(`STATUS=nothing is held; no window is ahead; wrong: barn: cannot be reached`)
	n.reloading()
	hears(`RELOADING=1\nMONOTONIC_USEC=[0-9]+\n`)
	n.stays()
	hears(`READY=1`)
	n.reloading()
	hears(`RELOADING=1\nMONOTONIC_USEC=[0-9]+\n`)
	n.state(s, &actions.Premises{Zone: time.UTC}) // the same state of another daemon: ready again
	hears(`READY=1\nSTATUS=.*`)
	n.stopping(3 * time.Minute)
	hears(`STOPPING=1\nEXTEND_TIMEOUT_USEC=180000000`)
}

func TestStatusLine(t *testing.T) {
	at := time.Date(2026, 7, 4, 12, 0, 0, 0, time.UTC)
	zone := time.FixedZone("BST", 3600)
	planned := func(id string, state actions.WindowState, start time.Time) actions.PlannedWindow {
		return actions.PlannedWindow{State: state, Window: actions.Window{ID: id, Title: "Free\npower " + id, Start: start, End: start.Add(time.Hour)}}
	}
	boost, mode := actions.Ref{Device: "cylinder", Point: "boost"}, actions.Ref{Device: "barn_battery", Point: "mode"}
	held := func(window string) actions.Standing {
		return actions.Standing{Points: map[actions.Ref]actions.PointStanding{boost: {Owed: true, Window: window}, mode: {Owed: true, Window: window}}}
	}
	trouble := run.Trouble{Where: "barn", What: "cannot be reached"}
	plan := &actions.Plan{Windows: []actions.PlannedWindow{planned("a", actions.Active, at), planned("b", actions.Far, at.Add(48*time.Hour)),
		planned("c", actions.Far, at.Add(24*time.Hour)), planned("d", actions.Cancelled, at.Add(time.Hour))}}
	over := *plan
	over.Windows = append([]actions.PlannedWindow{planned("over", actions.Completed, at.Add(-time.Hour))}, plan.Windows...)
	over.Windows[1].Claims = []actions.Claim{{Point: mode, From: at, To: at.Add(time.Hour)}}
	for want, s := range map[string]run.Snapshot{
		"2 points are held by Free power a until 14:00; wrong: barn: cannot be reached": {At: at, Plan: &over, Standing: held("over"),
			Troubles: []run.Trouble{trouble}}, // a window that is over left it at the value of this one
		"nothing is held; next: Sun 5 Jul 13:00, Free power c": {Plan: plan},
		"2 points are held by Free power a until 14:00":        {Plan: plan, Standing: held("a")},
		"2 points are held; wrong: barn: cannot be reached (and 1 more)": {Plan: plan, Standing: held("gone"),
			Troubles: []run.Trouble{trouble, trouble}},
	} {
		if got := statusLine(s, &actions.Premises{Zone: zone}); got != want {
			t.Errorf("got  %q\nwant %q", got, want)
		}
	}
}

// The watchdog is fed three times an interval while the runner answers, and not while it does not.
func TestWatchdog(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var fed atomic.Int32
		var dead atomic.Bool
		n := &notifier{send: func(state string) {
			if state != "WATCHDOG=1" {
				t.Errorf("sent %q", state)
			}
			fed.Add(1)
		}}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() {
			n.watchdog(ctx, 30*time.Second, func(ctx context.Context) error {
				if dead.Load() {
					<-ctx.Done()
					return errors.New("silent")
				}
				return nil
			})
			close(ended)
		}()
		time.Sleep(65 * time.Second)
		if n := fed.Load(); n != 7 {
			t.Errorf("fed %d times in 65 s", n)
		}
		dead.Store(true)
		time.Sleep(10 * time.Second)
		before := fed.Load()
		time.Sleep(5 * time.Minute)
		if fed.Load() != before {
			t.Error("fed though the runner is silent")
		}
		dead.Store(false)
		time.Sleep(30 * time.Second)
		if fed.Load() <= before {
			t.Error("not fed again")
		}
		cancel()
		<-ended
		n.watchdog(t.Context(), 0, nil) // not asked for: it returns
	})
}
