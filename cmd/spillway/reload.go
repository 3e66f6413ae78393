package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync/atomic"
	"time"

	sd "github.com/coreos/go-systemd/v22/daemon"

	"spillway/actions/run"
	"spillway/config"
)

const (
	// swapWithin is how long a change of configuration may take before the watchdog is told nothing more.
	swapWithin = time.Minute
	// stopWithin is how long an ordinary end may take: sends under way, and links.
	stopWithin = time.Minute
)

// A service is the daemon under one configuration after the other, over one journal. A change is orderly: the runner ends as
// at a stop, with what it holds in the journal, and the next one begins as after a start. Nothing is let go in between, and
// nothing is sent twice.
type service struct {
	load   func() (*config.Config, error)
	opt    daemonOptions
	leave  bool
	again  <-chan os.Signal // the configuration is to be read again; nil: never
	notify *notifier
	opened func(*daemon) // called with each daemon before it runs

	now     atomic.Pointer[daemon]
	swapped atomic.Pointer[time.Time] // when a change began; nil: none is under way
}

// run works until ctx ends.
func (s *service) run(ctx context.Context) error {
	cfg, err := s.load()
	if err != nil {
		return err
	}
	d, err := s.open(ctx, cfg)
	if err != nil {
		return err
	}
	kept := d.journal
	s.opt.journal, s.opt.metrics, d.keep = kept, d.metrics, true
	defer func() { _ = kept.Close() }()
	watch, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	go s.watchdog(watch)
	defer context.AfterFunc(ctx, s.stopping)()
	for {
		next, err := s.serve(ctx, d)
		d.close()
		if next == nil || err != nil {
			return err
		}
		if d, err = s.change(ctx, d, next); err != nil {
			return err
		}
	}
}

// open opens a daemon that tells the service manager of its states.
func (s *service) open(ctx context.Context, cfg *config.Config) (*daemon, error) {
	o := s.opt
	o.changed = func(snap run.Snapshot) { s.notify.state(snap, &cfg.Premises) }
	return newDaemon(ctx, cfg, o)
}

// serve runs d until ctx ends, or until there is another configuration, which it returns.
func (s *service) serve(ctx context.Context, d *daemon) (*config.Config, error) {
	s.now.Store(d)
	s.opened(d)
	s.swapped.Store(nil)
	work, stop := context.WithCancel(ctx)
	defer stop()
	done := make(chan error, 1)
	go func() { done <- d.run(work, s.leave) }()
	for {
		select {
		case err := <-done:
			return nil, err
		case <-s.again:
			s.notify.reloading()
			next, err := s.check(d)
			if err != nil {
				s.opt.log.Error("the configuration is refused, and the old one stays: " + err.Error())
				s.notify.stays()
				continue
			}
			began := time.Now()
			s.swapped.Store(&began)
			d.handOver.Store(true)
			stop()
			if err := <-done; err != nil || ctx.Err() != nil {
				return nil, err
			}
			return next, nil
		}
	}
}

// check reads the configuration again and refuses what cannot take the place of that of d.
func (s *service) check(d *daemon) (*config.Config, error) {
	next, err := s.load()
	if err != nil {
		return nil, err
	}
	if next.State != d.cfg.State {
		return nil, fmt.Errorf("state = %q: it cannot change while the program runs: stop it first", next.State)
	}
	return next, droppedDevices(d.journal.Standing(), &next.Premises)
}

// change opens the next daemon, or where that cannot be, the one before again.
func (s *service) change(ctx context.Context, old *daemon, next *config.Config) (*daemon, error) {
	if old.ln != nil {
		// Port 0 has been given a number, which people have noted.
		s.opt.listen = map[string]string{old.cfg.Publish.Listen: old.ln.Addr().String()}
	}
	d, err := s.open(ctx, next)
	if err == nil {
		s.opt.log.Info("the configuration was read again and is in force", "file", next.File)
		return d, nil
	}
	s.opt.log.Error("the configuration is refused, and the old one stays: " + err.Error())
	d, again := s.open(ctx, old.cfg)
	if again != nil {
		return nil, errors.Join(err, again)
	}
	return d, nil
}

// watchdog keeps the service manager's watchdog quiet while the runner answers.
func (s *service) watchdog(ctx context.Context) {
	interval, err := sd.SdWatchdogEnabled(false)
	if err != nil {
		s.opt.log.Warn("the service manager's watchdog is not served: " + err.Error())
		return
	}
	s.notify.watchdog(ctx, interval, s.alive)
}

// alive asks the runner. While one takes over from the other there is none to ask.
func (s *service) alive(ctx context.Context) error {
	if began := s.swapped.Load(); began != nil && time.Since(*began) < swapWithin {
		return nil
	}
	if d := s.now.Load(); d != nil {
		return d.alive(ctx)
	}
	return nil
}

func (s *service) stopping() {
	within := stopWithin
	if s.leave {
		within += leaveWithin
	}
	s.notify.stopping(within)
}
