package main

import (
	"context"
	"fmt"
	"time"

	"spillway/actions"
	"spillway/actions/plan"
	"spillway/actions/run"
	"spillway/calendar"
	"spillway/calendar/feed"
	"spillway/config"
)

const (
	// lookBack is how far into the past occurrences are read, so that a window that is just over still shows.
	lookBack = 24 * time.Hour
	// reread is how soon an unchanged calendar is expanded again, since the horizon moves on.
	reread = time.Hour
)

// source is one feed as the runner sees it: polled, read, and matched to windows. It is used by one goroutine.
type source struct {
	cfg      config.Feed
	feed     *feed.Feed
	premises *actions.Premises
	horizon  time.Duration
	now      func() time.Time

	hash   string
	readAt time.Time
	last   run.Polled
	asked  bool

	fresh *calendar.Result // what accept read, until it is taken up
}

func newSource(c config.Feed, cfg *config.Config, store feed.Store, now func() time.Time) (*source, error) {
	s := &source{cfg: c, premises: &cfg.Premises, horizon: cfg.Horizon, now: now}
	f, err := feed.New(feedSpec(c, cfg.Horizon), feed.Options{Store: store, UserAgent: userAgent, Now: now, Accept: s.accept})
	if err != nil {
		return nil, err
	}
	s.feed = f
	return s, nil
}

// accept refuses a body that cannot be read as a whole before it becomes the last good copy, and keeps what was read.
func (s *source) accept(body []byte) error {
	now := s.now()
	res, err := calendar.Read(body, s.options(now))
	if err != nil {
		return err
	}
	s.fresh = &res
	return nil
}

func (s *source) options(now time.Time) calendar.Options {
	return occurrenceRange(s.premises.Zone, now, now.Add(s.horizon), true)
}

const userAgent = "Spillway"

func feedSpec(c config.Feed, horizon time.Duration) feed.Spec {
	return feed.Spec{
		Name: c.Name, URL: c.URL, Poll: c.Poll, User: c.User, Password: feed.Secret(c.Password), Token: feed.Secret(c.Token),
		CAFile: c.CAFile, MaxBody: c.MaxBody, Back: 2 * lookBack, Ahead: horizon + 2*lookBack,
	}
}

func feedRules(c config.Feed) plan.FeedRules {
	return plan.FeedRules{Name: c.Name, Procedures: c.Procedures, Statements: c.Statements, Organizers: c.Organizers,
		Tentative: c.Tentative, MaxPerDay: c.MaxPerDay}
}

// Name returns the feed's name.
func (s *source) Name() string { return s.cfg.Name }

// Poll asks the feed and returns its windows. The first call returns the last good copy from before this start, where
// there is one, so that a feed that cannot be reached removes nothing.
func (s *source) Poll(ctx context.Context) (run.Polled, time.Time) {
	if !s.asked {
		s.asked = true
		if r := s.feed.Current(); r.Body != nil {
			p := s.read(r)
			p.Saved = true
			return p, s.now()
		}
	}
	r := s.feed.Poll(ctx)
	p := s.read(r)
	next := r.Next
	if r.Err != nil {
		p.Good = false
		p.Trouble = r.Err.Error()
		if !r.Good.IsZero() {
			p.Trouble += fmt.Sprintf(" (the copy of %s stays in force)", r.Good.In(s.premises.Zone).Format("Mon 2 Jan 15:04"))
		}
	}
	if r.StoreErr != nil && p.Trouble == "" {
		p.Trouble = "a restart would not have its newest copy: " + clean(r.StoreErr.Error())
	}
	return p, next
}

// read expands the copy in force, where it has changed or the horizon has moved on.
func (s *source) read(r feed.Result) run.Polled {
	now := s.now()
	if r.Body == nil {
		return run.Polled{Feed: s.cfg.Name}
	}
	if r.Hash == s.hash && now.Sub(s.readAt) < reread && !now.Before(s.readAt) {
		return s.last
	}
	res, err := s.expand(r, now)
	if err != nil {
		return run.Polled{Feed: s.cfg.Name, Trouble: err.Error()}
	}
	verdicts := plan.Verdicts([]plan.Feed{{FeedRules: feedRules(s.cfg), Occurrences: res.Occurrences}}, s.premises)
	p := run.Polled{Feed: s.cfg.Name, Good: true, Events: len(res.Occurrences), Windows: plan.Windows(verdicts)}
	for _, o := range res.Occurrences {
		if o.Status == "cancelled" {
			p.Cancelled = append(p.Cancelled, actions.WindowID(o.UID, o.RecurrenceID))
		}
	}
	problems := append(res.Problems, r.Problems...)
	if len(problems) > 0 {
		p.Trouble = fmt.Sprintf("%s: %s", problems[0].Where, problems[0].What)
		if n := len(problems) - 1; n > 0 {
			p.Trouble += fmt.Sprintf(" (and %d more: see spillway windows)", n)
		}
	}
	s.hash, s.readAt, s.last = r.Hash, now, p
	return p
}

// expand reads the copy in force, once: what accept has read already serves.
func (s *source) expand(r feed.Result, now time.Time) (calendar.Result, error) {
	if fresh := s.fresh; fresh != nil {
		s.fresh = nil
		if r.Err == nil && !r.Unchanged {
			return *fresh, nil
		}
	}
	return calendar.Read(r.Body, s.options(now))
}

// occurrenceRange reads from a local midnight, so that a cap per day counts whole days.
func occurrenceRange(zone *time.Location, from, to time.Time, cancelled bool) calendar.Options {
	y, m, d := from.Add(-lookBack).In(zone).Date()
	return calendar.Options{Zone: zone, From: time.Date(y, m, d, 0, 0, 0, 0, zone), To: to, Cancelled: cancelled}
}
