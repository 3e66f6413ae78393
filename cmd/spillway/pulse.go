package main

import (
	"context"
	"errors"
	"sync"
	"time"

	"spillway/actions"
	"spillway/actions/run"
)

// A pulse is the journal as the runner has it. It tells that the runner is alive: each time the machine is called it looks
// up the newest entry. And it sees each entry pass, which metrics count. It costs nothing while the runner rests.
type pulse struct {
	run.Journal
	count func(actions.Entry) // of entries that were kept

	mu      sync.Mutex
	waiting []chan struct{}
	err     error // of the last write
}

// Newest passes the question on.
func (p *pulse) Newest() time.Time {
	p.mu.Lock()
	for _, w := range p.waiting {
		close(w)
	}
	p.waiting = nil
	p.mu.Unlock()
	return p.Journal.Newest()
}

// Write passes the entries on.
func (p *pulse) Write(ctx context.Context, entries ...actions.Entry) error {
	err := p.Journal.Write(ctx, entries...)
	p.mu.Lock()
	p.err = err
	p.mu.Unlock()
	if err == nil && p.count != nil {
		for _, e := range entries {
			p.count(e)
		}
	}
	return err
}

// next returns a channel that closes when the machine is called next.
func (p *pulse) next() <-chan struct{} {
	p.mu.Lock()
	defer p.mu.Unlock()
	w := make(chan struct{})
	p.waiting = append(p.waiting, w)
	return w
}

// wrote returns the error of the last write.
func (p *pulse) wrote() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.err
}

// nudge is an event that the machine knows nothing of: it makes a runner that waits turn once.
type nudge struct{}

// answerWithin is how long a runner that is alive may take to turn: it writes the journal to disk, and plans.
const answerWithin = 10 * time.Second

var errSilentRunner = errors.New("the runner does not answer")

// alive makes the runner turn and waits for it.
func (d *daemon) alive(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, answerWithin)
	defer cancel()
	turned := d.pulse.next()
	if err := d.runner.Ask(ctx, nudge{}); err != nil {
		return errSilentRunner
	}
	select {
	case <-turned:
		return nil
	case <-ctx.Done():
		return errSilentRunner
	}
}
