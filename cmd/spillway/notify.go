package main

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	sd "github.com/coreos/go-systemd/v22/daemon"

	"spillway/actions"
	"spillway/actions/run"
)

// A notifier tells the service manager how the program is (sd_notify(3)): ready, reloading, stopping, alive, and in a line
// what it does. Without a service manager it does nothing.
type notifier struct {
	send func(state string)

	mu    sync.Mutex
	ready bool
	said  string
}

// newNotifier speaks to the manager that NOTIFY_SOCKET names.
func newNotifier() *notifier {
	return &notifier{send: func(state string) { _, _ = sd.SdNotify(false, state) }} // nothing can be done about a deaf manager
}

// state tells of a new state. The first one means that the program is ready: the journal is open, the address taken, and
// the plan made.
func (n *notifier) state(s run.Snapshot, premises *actions.Premises) {
	line := statusLine(s, premises)
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.ready && n.said == line {
		return
	}
	tell := "STATUS=" + line
	if !n.ready {
		tell = sd.SdNotifyReady + "\n" + tell
	}
	n.ready, n.said = true, line
	n.send(tell)
}

// reloading tells that the configuration is read again; [notifier.state] or stays ends that.
func (n *notifier) reloading() {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.ready = false
	n.send(sd.SdNotifyReloading + "\n" + sd.SdNotifyMonotonicUsec())
}

// stays tells that everything is as it was before.
func (n *notifier) stays() {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.ready = true
	n.send(sd.SdNotifyReady)
}

// stopping tells that the end has begun, and how long it may take.
func (n *notifier) stopping(within time.Duration) {
	n.send(fmt.Sprintf("%s\nEXTEND_TIMEOUT_USEC=%d", sd.SdNotifyStopping, within.Microseconds()))
}

// watchdog tells that the program is alive for as long as alive says so, where the manager asks for that. It returns when
// ctx ends.
func (n *notifier) watchdog(ctx context.Context, interval time.Duration, alive func(context.Context) error) {
	if interval <= 0 {
		return
	}
	tick := time.NewTicker(interval / 3)
	defer tick.Stop()
	for {
		limit, cancel := context.WithTimeout(ctx, interval/3)
		if alive(limit) == nil {
			n.send(sd.SdNotifyWatchdog)
		}
		cancel()
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// statusLine says in a line what is held, or what comes next, and what is wrong.
func statusLine(s run.Snapshot, premises *actions.Premises) string {
	var said string
	if owed := s.Owed(); len(owed) > 0 {
		said = plural(len(owed), "point is", "points are") + " held" + holder(s, owed, premises)
	} else {
		said = "nothing is held" + nextWindow(s, premises.Zone)
	}
	if n := len(s.Troubles); n > 0 {
		said += fmt.Sprintf("; wrong: %s: %s", s.Troubles[0].Where, s.Troubles[0].What)
		if n > 1 {
			said += fmt.Sprintf(" (and %d more)", n-1)
		}
	}
	return oneLine(said)
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}

// holder names the window that holds, where there is one.
func holder(s run.Snapshot, owed []actions.Ref, premises *actions.Premises) string {
	for _, ref := range owed {
		by, _ := s.Plan.Holder(ref, s.Standing.Points[ref], premises, s.At)
		if w := s.Plan.Window(by); w != nil && w.State == actions.Active {
			return fmt.Sprintf(" by %s until %s", w.Title, w.End.In(premises.Zone).Format("15:04"))
		}
	}
	return ""
}

func nextWindow(s run.Snapshot, zone *time.Location) string {
	ahead := slices.Clone(s.Plan.Windows)
	ahead = slices.DeleteFunc(ahead, func(w actions.PlannedWindow) bool { return w.State != actions.Far && w.State != actions.Near })
	if len(ahead) == 0 {
		return "; no window is ahead"
	}
	w := slices.MinFunc(ahead, func(a, b actions.PlannedWindow) int {
		return cmp.Or(a.Start.Compare(b.Start), strings.Compare(a.ID, b.ID))
	})
	return fmt.Sprintf("; next: %s, %s", w.Start.In(zone).Format("Mon 2 Jan 15:04"), w.Title)
}
