package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"spillway/actions"
	"spillway/actions/journal"
	"spillway/actions/run"
)

// takeUp takes up again what is asked for, and returns once that is written. A window that is on is joined.
func (d *daemon) takeUp(ctx context.Context, q downRequest) (downAnswer, error) {
	out := downAnswer{Windows: []stoodDown{}}
	s, err := d.runner.Until(ctx, func(run.Snapshot) bool { return true })
	if err != nil {
		return out, errSilentRunner
	}
	for i := range s.Plan.Windows {
		w := &s.Plan.Windows[i]
		if (q.Window == "" || w.ID == q.Window) && w.End.After(d.clock.Now()) && len(downKeys(s.Standing, w.ID)) > 0 {
			out.Windows = append(out.Windows, stoodDown{w.ID, w.Title, w.Start, w.End})
		}
	}
	if q.Window != "" && len(out.Windows) == 0 {
		return out, notDown(q.Window)
	}
	if err := d.down.lift(ctx, q.Window); err != nil {
		return out, err
	}
	if err := d.runner.Ask(ctx, run.TakeUp{Window: q.Window}); err != nil {
		return out, errSilentRunner
	}
	_, err = d.runner.Until(ctx, func(s run.Snapshot) bool {
		for _, w := range out.Windows {
			if len(downKeys(s.Standing, w.ID)) > 0 {
				return false
			}
		}
		return true
	})
	if err != nil {
		err = errors.New("it could not be written down yet: look at the log; it is tried until it is")
	}
	return out, err
}

// takeUpAlone writes it down where no daemon runs.
func takeUpAlone(ctx context.Context, j *journal.Journal, rule *downRule, q downRequest, now time.Time, horizon time.Duration) (downAnswer, error) {
	out := downAnswer{Windows: []stoodDown{}}
	kept, err := j.Windows(ctx, now, now.Add(horizon))
	if err != nil {
		return out, err
	}
	standing := j.Standing()
	var lifted []actions.Entry
	for _, w := range kept {
		keys := downKeys(standing, w.ID)
		if q.Window != "" && w.ID != q.Window || len(keys) == 0 || !w.End.After(now) {
			continue
		}
		out.Windows = append(out.Windows, stoodDown{w.ID, w.Title, w.Start, w.End})
		for _, k := range keys {
			lifted = append(lifted, actions.Entry{Kind: actions.EntryStandDown, At: now, Window: k})
		}
	}
	if q.Window != "" && len(out.Windows) == 0 {
		return out, notDown(q.Window)
	}
	if err := rule.lift(ctx, q.Window); err != nil || len(lifted) == 0 {
		return out, err
	}
	return out, j.Write(ctx, lifted...)
}

// lift leaves one window out of the rule, or ends it.
func (r *downRule) lift(ctx context.Context, window string) error {
	switch {
	case !r.rules():
		return nil
	case window == "":
		return r.set(ctx, time.Time{})
	}
	return r.except(ctx, window)
}

// downKeys are the keys under which a window is stood down, as a whole or for single devices.
func downKeys(s actions.Standing, window string) []string {
	var keys []string
	for key := range s.Down {
		if id, _, _ := strings.Cut(key, "/"); id == window {
			keys = append(keys, key)
		}
	}
	return keys
}

func notDown(id string) error {
	return fmt.Errorf("no window %s ahead is stood down: see the ids in spillway plan --json", oneLine(id))
}
