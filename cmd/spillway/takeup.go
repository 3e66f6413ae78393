package main

import (
	"context"
	"errors"
	"strings"
	"time"

	"spillway/actions"
	"spillway/actions/journal"
	"spillway/actions/run"
	"spillway/config"
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
		if w.End.After(d.clock.Now()) && len(downKeys(s.Standing, w.ID)) > 0 {
			out.Windows = append(out.Windows, stoodDown{w.ID, w.Title, w.Start, w.End})
		}
	}
	if q.Window != "" {
		w, err := windowNamed(q.Window, isStoodDown, out.Windows, d.cfg.Premises.Zone)
		if err != nil {
			return downAnswer{Windows: []stoodDown{}}, err
		}
		q.Window, out.Windows = w.ID, []stoodDown{w}
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
func takeUpAlone(ctx context.Context, j *journal.Journal, rule *downRule, q downRequest, now time.Time, cfg *config.Config) (downAnswer, error) {
	out := downAnswer{Windows: []stoodDown{}}
	kept, err := j.Windows(ctx, now, now.Add(cfg.Horizon))
	if err != nil {
		return out, err
	}
	standing := j.Standing()
	for _, w := range kept {
		if len(downKeys(standing, w.ID)) > 0 && w.End.After(now) {
			out.Windows = append(out.Windows, stoodDown{w.ID, w.Title, w.Start, w.End})
		}
	}
	if q.Window != "" {
		w, err := windowNamed(q.Window, isStoodDown, out.Windows, cfg.Premises.Zone)
		if err != nil {
			return downAnswer{Windows: []stoodDown{}}, err
		}
		q.Window, out.Windows = w.ID, []stoodDown{w}
	}
	var lifted []actions.Entry
	for _, w := range out.Windows {
		for _, k := range downKeys(standing, w.ID) {
			lifted = append(lifted, actions.Entry{Kind: actions.EntryStandDown, At: now, Window: k})
		}
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
