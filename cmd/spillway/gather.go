package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"spillway/actions/plan"
	"spillway/calendar"
	"spillway/calendar/feed"
	"spillway/config"
)

// defaultHorizon is how far ahead is looked where no configuration says it.
const defaultHorizon = 14 * 24 * time.Hour

// rangeFlags are the flags of the commands that read calendars.
type rangeFlags struct {
	calendars []string
	from, to  string
}

func (f *rangeFlags) add(c *cobra.Command) {
	c.Flags().StringArrayVar(&f.calendars, "calendar", nil, "read this `FILE-OR-URL` in place of the configured feeds (repeatable)")
	c.Flags().StringVar(&f.from, "from", "", "start of the range, `T` (RFC 3339; default: now)")
	c.Flags().StringVar(&f.to, "to", "", "end of the range, `T` (RFC 3339; default: the horizon)")
}

// within returns the range that the flags ask for.
func (f *rangeFlags) within(now time.Time, horizon time.Duration) (from, to time.Time, err error) {
	from = now
	if f.from != "" {
		if from, err = time.Parse(time.RFC3339, f.from); err != nil {
			return from, to, usagef("--from %s: write RFC 3339, such as 2026-12-05T00:00:00Z", f.from)
		}
	}
	to = from.Add(horizon)
	if f.to != "" {
		if to, err = time.Parse(time.RFC3339, f.to); err != nil {
			return from, to, usagef("--to %s: write RFC 3339, such as 2026-12-06T00:00:00Z", f.to)
		}
	}
	if !to.After(from) {
		return from, to, usagef("--to %s is not after --from %s", to.Format(time.RFC3339), from.Format(time.RFC3339))
	}
	return from.UTC(), to.UTC(), nil
}

// loadOptional reads the configuration where there is one. A call that names its calendars does not need any.
func (a *app) loadOptional(calendars []string) (*config.Config, error) {
	cfg, err := a.load()
	var missing *config.MissingError
	if err != nil && a.configFile == "" && len(calendars) > 0 && errors.As(err, &missing) {
		return nil, nil
	}
	return cfg, err
}

// gathered is what calendars hold in a range.
type gathered struct {
	verdicts []plan.Verdict // by start, then uid
	problems []calendar.Problem
	failed   []error // calendars that could not be used, a line each
}

// sources returns the feeds to read: the calendars named, or those configured.
func (a *app) sources(cfg *config.Config, calendars []string) []config.Feed {
	if len(calendars) == 0 {
		return cfg.Feeds
	}
	var list []config.Feed
	for _, c := range calendars {
		list = append(list, config.Feed{URL: c, Statements: true})
	}
	return list
}

// gather reads the calendars once and matches what they hold in [from, to).
func (a *app) gather(ctx context.Context, cfg *config.Config, calendars []string, zone *time.Location, from, to time.Time) gathered {
	return a.gatherBy(ctx, readOnce, cfg, calendars, zone, from, to)
}

// A feedReader reads a feed or calendar once.
type feedReader func(ctx context.Context, f config.Feed, spec feed.Spec) (feed.Result, error)

func readOnce(ctx context.Context, _ config.Feed, spec feed.Spec) (feed.Result, error) {
	return feed.ReadOnce(ctx, spec, feed.Options{UserAgent: userAgent})
}

// gatherBy is gather with a reader of its own.
func (a *app) gatherBy(ctx context.Context, read feedReader, cfg *config.Config, calendars []string, zone *time.Location, from, to time.Time) gathered {
	var g gathered
	opts := calendar.Options{Zone: zone, From: from, To: to, Cancelled: true}
	if cfg != nil {
		// A cap per day counts whole local days.
		y, m, d := from.In(zone).Date()
		opts.From = time.Date(y, m, d, 0, 0, 0, 0, zone)
	}
	var feeds []plan.Feed
	defer a.working("reading the calendars")()
	for _, f := range a.sources(cfg, calendars) {
		spec := feedSpec(f, to.Sub(from))
		spec.Back, spec.Ahead = max(time.Since(from)+lookBack, lookBack), max(time.Until(to)+lookBack, lookBack)
		r, err := read(ctx, f, spec)
		if err != nil {
			g.failed = append(g.failed, err)
			continue
		}
		res, err := calendar.Read(r.Body, opts)
		if err != nil {
			g.failed = append(g.failed, fmt.Errorf("%s: %w", cmpName(f), err))
			continue
		}
		g.problems = append(append(g.problems, r.Problems...), res.Problems...)
		feeds = append(feeds, plan.Feed{FeedRules: feedRules(f), Occurrences: res.Occurrences})
	}
	if cfg == nil {
		g.verdicts = unmatched(feeds)
	} else {
		g.verdicts = plan.Verdicts(feeds, &cfg.Premises)
	}
	g.verdicts = slices.DeleteFunc(g.verdicts, func(v plan.Verdict) bool {
		o := v.Occurrence
		return !o.Start.Before(to) || o.Start.Before(from) && !o.End.After(from)
	})
	return g
}

func cmpName(f config.Feed) string {
	if f.Name != "" {
		return "feeds." + f.Name
	}
	return f.URL
}

// unmatched lists occurrences where there is no configuration, and so no procedure.
func unmatched(feeds []plan.Feed) []plan.Verdict {
	var list []plan.Verdict
	for _, f := range feeds {
		for _, o := range f.Occurrences {
			list = append(list, plan.Verdict{Feed: f.Name, Occurrence: o, Why: "no configuration, so no procedure"})
		}
	}
	slices.SortStableFunc(list, func(a, b plan.Verdict) int {
		if c := a.Occurrence.Start.Compare(b.Occurrence.Start); c != 0 {
			return c
		}
		if a.Occurrence.UID != b.Occurrence.UID {
			if a.Occurrence.UID < b.Occurrence.UID {
				return -1
			}
			return 1
		}
		return a.Occurrence.RecurrenceID.Compare(b.Occurrence.RecurrenceID)
	})
	return list
}
