package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"spillway/actions"
	"spillway/actions/journal"
	"spillway/actions/meter"
	"spillway/actions/plan"
	"spillway/actions/settle"
	"spillway/calendar"
	"spillway/calendar/feed"
	"spillway/config"
)

// keptRecord is what settlement reads of the journal.
type keptRecord interface {
	Get(ctx context.Context, key string) ([]byte, bool, error)
	Windows(ctx context.Context, from, to time.Time) ([]journal.Window, error)
	Readings(ctx context.Context, ref actions.Ref, from, to time.Time) ([]journal.Sample, error)
	Log(ctx context.Context, q journal.Query) ([]actions.StepStanding, error)
}

// A ledger gathers what settlements are made from.
type ledger struct {
	app  *app
	cfg  *config.Config
	kept keptRecord
	now  time.Time
	note func(string) // told what is worth a word and no error

	// copies has feeds read from their last good copy in the state folder before they are asked, as a daemon does, which
	// polls them anyway.
	copies   bool
	received map[string]feed.Result // what was read, by name of the feed or address of the calendar
	metered  *meter.Series
	meters   []settle.Source // what it was read from
}

func (a *app) ledger(cfg *config.Config, kept keptRecord, now time.Time) *ledger {
	return &ledger{app: a, cfg: cfg, kept: kept, now: now, received: map[string]feed.Result{},
		note: func(what string) { fmt.Fprintln(a.Err, "spillway: note: "+clean(what)) }}
}

// books gathers the windows over all that the meter data covers and over [from, to), since the day of one window is no like
// day of another, and what the terms name.
func (l *ledger) books(ctx context.Context, calendars []string, series *meter.Series, from, to time.Time) (*settle.Books, error) {
	first, last := series.Bounds()
	if from.Before(first) || first.IsZero() {
		first = from
	}
	if to.After(last) {
		last = to
	}
	windows, err := l.windows(ctx, calendars, first, last)
	if err != nil {
		return nil, err
	}
	b := &settle.Books{Zone: l.cfg.Premises.Zone, Meter: series, Windows: windows}
	return b, l.termsNeed(ctx, b, first, last)
}

// windows returns the windows that overlap [from, to): those of the calendars named, or else of the feeds, and those that
// the journal remembers and the feeds no longer hold.
func (l *ledger) windows(ctx context.Context, calendars []string, from, to time.Time) ([]actions.Window, error) {
	g := l.app.gatherBy(ctx, l.read, l.cfg, calendars, l.cfg.Premises.Zone, from, to)
	if len(g.failed) > 0 {
		return nil, errors.Join(g.failed...)
	}
	for _, p := range g.problems {
		l.note("calendar: " + p.Where + ": " + p.What)
	}
	windows := plan.Windows(g.verdicts)
	if len(calendars) > 0 {
		return windows, nil
	}
	return l.remembered(ctx, windows, from, to)
}

// remembered adds the windows that the journal knows and the list lacks. One that was called off is none.
func (l *ledger) remembered(ctx context.Context, windows []actions.Window, from, to time.Time) ([]actions.Window, error) {
	kept, err := l.kept.Windows(ctx, from, to)
	if err != nil {
		return nil, err
	}
	ids, keys := map[string]bool{}, map[string]bool{}
	for _, w := range windows {
		ids[w.ID] = true
	}
	for _, k := range kept {
		w := windowOf(k)
		// Of a window that the feeds hold, only what was over before it was moved is something else.
		moved := ids[w.ID] && k.State == actions.Completed && !slices.ContainsFunc(windows, func(v actions.Window) bool {
			return v.ID == w.ID && v.Start.Before(w.End) && v.End.After(w.Start)
		})
		if k.State == actions.Cancelled || ids[w.ID] && !moved || keys[windowKey(w)] {
			continue
		}
		keys[windowKey(w)] = true
		windows = append(windows, w)
	}
	return windows, nil
}

func windowOf(k journal.Window) actions.Window {
	return actions.Window{ID: k.ID, UID: k.UID, RecurrenceID: k.RecurrenceID, Feed: k.Feed, Procedure: k.Procedure, Title: k.Title,
		Start: k.Start, End: k.End}
}

// read reads a feed or calendar once. A feed that cannot be read counts by its last good copy.
func (l *ledger) read(ctx context.Context, f config.Feed, spec feed.Spec) (feed.Result, error) {
	name := cmpName(f)
	if r, ok := l.received[name]; ok {
		return r, nil
	}
	if l.copies {
		if r := l.copyOf(f, spec); r.Body != nil {
			l.received[name] = r
			return r, nil
		}
	}
	r, err := feed.ReadOnce(ctx, spec, feed.Options{UserAgent: userAgent})
	if err != nil {
		r = l.copyOf(f, spec)
		if r.Body == nil {
			return r, err
		}
		l.note(fmt.Sprintf("%v: the copy of %s is used", err, r.Good.In(l.cfg.Premises.Zone).Format("Mon 2 Jan 2006 15:04")))
	}
	l.received[name] = r
	return r, nil
}

// copyOf returns the last good copy of a configured feed; its Body is nil where there is none.
func (l *ledger) copyOf(f config.Feed, spec feed.Spec) feed.Result {
	if f.Name == "" || l.cfg.State == "" {
		return feed.Result{}
	}
	kept, err := feed.New(spec, feed.Options{Store: feed.Dir(feedFolder(l.cfg.State)), UserAgent: userAgent})
	if err != nil {
		return feed.Result{}
	}
	defer kept.Close()
	return kept.Current()
}

// termsNeed reads the feeds and files that the terms name into the books.
func (l *ledger) termsNeed(ctx context.Context, b *settle.Books, from, to time.Time) error {
	b.Holidays, b.LeaveOut, b.Figures = map[string]settle.Dates{}, map[string]settle.Dates{}, map[string]*meter.Series{}
	for _, p := range l.cfg.Premises.Procedures {
		for _, t := range p.Terms {
			if err := l.dates(ctx, t.Holidays, b.Holidays, from, to); err != nil {
				return err
			}
			if err := l.dates(ctx, t.LeaveOut, b.LeaveOut, from, to); err != nil {
				return err
			}
			if t.Figures != "" && b.Figures[t.Figures] == nil {
				s, err := l.file(t.Figures)
				if err != nil {
					return err
				}
				b.Figures[t.Figures] = s
			}
		}
	}
	return nil
}

// dates reads the days of a feed of holidays or outages.
func (l *ledger) dates(ctx context.Context, name string, into map[string]settle.Dates, from, to time.Time) error {
	if name == "" || into[name] != nil {
		return nil
	}
	i := slices.IndexFunc(l.cfg.Feeds, func(f config.Feed) bool { return f.Name == name })
	if i < 0 {
		return usagef("settlement: there is no feed called %s", name)
	}
	spec := feedSpec(l.cfg.Feeds[i], l.cfg.Horizon)
	spec.Back, spec.Ahead = max(l.now.Sub(from)+lookBack, lookBack), max(to.Sub(l.now)+lookBack, lookBack)
	r, err := l.read(ctx, l.cfg.Feeds[i], spec)
	if err != nil {
		return err
	}
	res, err := calendar.Read(r.Body, calendar.Options{Zone: l.cfg.Premises.Zone, From: from.Add(-lookBack), To: to.Add(lookBack)})
	if err != nil {
		return fmt.Errorf("feeds.%s: %w", name, err)
	}
	into[name] = settle.DatesOf(res.Occurrences, l.cfg.Premises.Zone)
	return nil
}

// windowKey tells windows apart: one that was over and came back at another time keeps its id.
func windowKey(w actions.Window) string {
	return cmp.Or(w.ID, w.UID) + " " + w.Start.UTC().Format(time.RFC3339)
}
