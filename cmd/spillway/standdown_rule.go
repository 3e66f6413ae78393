package main

import (
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"sync"
	"time"

	"spillway/actions"
	"spillway/actions/run"
)

// downKey is the journal's key of what is stood down by a rule.
const downKey = "stood down"

// A downRule stands down every window that begins before a time, as feeds announce them, but for those that were taken up
// again since.
type downRule struct {
	store creditStore

	mu sync.Mutex
	ruling
}

// A ruling is what is remembered of the rule.
type ruling struct {
	Until  time.Time `json:"until"` // zero: nothing is stood down
	Except []string  `json:"except,omitempty"`
}

func newDownRule(ctx context.Context, store creditStore) (*downRule, error) {
	r := &downRule{store: store}
	raw, ok, err := store.Get(ctx, downKey)
	if err == nil && ok {
		err = json.Unmarshal(raw, &r.ruling)
	}
	if err != nil {
		return nil, fmt.Errorf("read until when windows are stood down: %w", err)
	}
	return r, nil
}

// set stands down every window that begins before until; zero ends that.
func (r *downRule) set(ctx context.Context, until time.Time) error {
	return r.change(ctx, ruling{Until: until.UTC()})
}

// except leaves a window out.
func (r *downRule) except(ctx context.Context, id string) error {
	r.mu.Lock()
	next := ruling{Until: r.Until, Except: slices.Clone(r.Except)}
	r.mu.Unlock()
	if slices.Contains(next.Except, id) {
		return nil
	}
	next.Except = append(next.Except, id)
	return r.change(ctx, next)
}

func (r *downRule) change(ctx context.Context, next ruling) error {
	raw, err := json.Marshal(next)
	if err != nil {
		return err
	}
	if err := r.store.Put(ctx, downKey, raw); err != nil {
		return err
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.ruling = next
	return nil
}

// rules reports whether the rule was set and not ended.
func (r *downRule) rules() bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return !r.Until.IsZero()
}

// now returns until when windows are stood down; zero where that is over.
func (r *downRule) now(t time.Time) time.Time {
	r.mu.Lock()
	defer r.mu.Unlock()
	if !t.Before(r.Until) {
		return time.Time{}
	}
	return r.Until
}

// of returns the windows of a poll that the rule stands down.
func (r *downRule) of(p run.Polled, now time.Time) []actions.Window {
	r.mu.Lock()
	defer r.mu.Unlock()
	var list []actions.Window
	for _, w := range p.Windows {
		if w.Start.Before(r.Until) && w.End.After(now) && !slices.Contains(r.Except, w.ID) {
			list = append(list, w)
		}
	}
	return list
}

// An announced is a feed whose windows go by the rule: they are stood down before the runner hears of them, so that one
// which begins at once sends nothing.
type announced struct {
	*watched
	daemon *daemon
}

// Poll polls the feed.
func (f announced) Poll(ctx context.Context) (run.Polled, time.Time) {
	p, next := f.watched.Poll(ctx)
	d := f.daemon
	s, _ := d.runner.Snapshot()
	for _, w := range d.down.of(p, d.clock.Now()) {
		if _, down := s.Standing.Down[w.ID]; !down {
			_ = d.runner.Ask(ctx, run.StandDown{Window: w.ID}) // it ends with ctx, and the program with it
		}
	}
	d.reportNow()
	return p, next
}
