package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/shopspring/decimal"
	"github.com/spf13/cobra"

	"spillway/actions"
	"spillway/actions/journal"
	"spillway/actions/meter"
	"spillway/actions/plan"
	"spillway/actions/settle"
	"spillway/calendar"
	"spillway/calendar/feed"
	"spillway/config"
)

// paidKey is the journal's key of recorded credits, by window id.
const paidKey = "credits that came"

type settleFlags struct {
	rangeFlags
	meters []string
	paid   []string
	csv    bool
}

func (a *app) settleCommand() *cobra.Command {
	var f settleFlags
	c := &cobra.Command{
		Use:   "settle",
		Short: "Baseline, gain and credit of past windows, from meter data",
		Long: `Settle compares what the meter showed in each past window with what it would usually have shown, by the terms of its
procedure, and says what credit should follow and by when. A figure is an estimate until the supplier settles.`,
		Example: `  spillway settle --meter meter/june.csv
  spillway settle --calendar house.ics --meter june.csv --json
  spillway settle --paid 5gib3dyt2y=3.10`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return a.settle(c.Context(), f, time.Now().UTC()) },
	}
	f.add(c)
	c.Flags().StringArrayVar(&f.meters, "meter", nil, "read this meter `FILE` in place of the configured ones (repeatable)")
	c.Flags().StringArrayVar(&f.paid, "paid", nil, "record a credit that came, `WINDOW=AMOUNT` (repeatable)")
	c.Flags().BoolVar(&f.csv, "csv", false, "print CSV")
	return c
}

func (a *app) settle(ctx context.Context, f settleFlags, now time.Time) error {
	cfg, err := a.load()
	if err != nil {
		return err
	}
	paid, err := a.credits(ctx, cfg, f.paid)
	if err != nil {
		return err
	}
	series, err := a.meterData(cfg, f.meters)
	if err != nil {
		return err
	}
	from, to, err := settleRange(f, series)
	if err != nil {
		return err
	}
	books, err := a.books(ctx, cfg, f.calendars, series)
	if err != nil {
		return err
	}
	books.Recorded = paid
	results := settle.New(*books).All(&cfg.Premises, from, to)
	switch {
	case a.json:
		if results == nil {
			results = []settle.Result{}
		}
		return printJSON(a.Out, struct {
			Windows []settle.Result `json:"windows"`
		}{results})
	case f.csv:
		fmt.Fprint(a.Out, settle.CSV(results, cfg.Premises.Zone))
	default:
		fmt.Fprint(a.Out, settle.Table(results, cfg.Premises.Zone, now))
	}
	return nil
}

// meterData reads the meter files named, or those configured, into one series.
func (a *app) meterData(cfg *config.Config, named []string) (*meter.Series, error) {
	files := named
	if len(files) == 0 {
		for _, pattern := range cfg.Meter.Files {
			found, err := filepath.Glob(pattern)
			if err != nil {
				return nil, usagef("meter.files: %q is no pattern: %w", pattern, err)
			}
			files = append(files, found...)
		}
	}
	if len(files) == 0 {
		return nil, usagef("no meter data: give --meter FILE, or name files under [meter]")
	}
	var list []*meter.Series
	for _, name := range files {
		s, err := a.meterFile(cfg, name)
		if err != nil {
			return nil, err
		}
		list = append(list, s)
	}
	series, notes, err := meter.Merge(list...)
	if err != nil {
		return nil, err
	}
	a.sayNotes(notes)
	return series, nil
}

func (a *app) meterFile(cfg *config.Config, name string) (*meter.Series, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, fmt.Errorf("read meter data: %w", err)
	}
	defer f.Close()
	s, notes, err := meter.Read(f, name, meterLayout(cfg.Meter))
	if err != nil {
		return nil, err
	}
	a.sayNotes(notes)
	return s, nil
}

func meterLayout(m config.Meter) meter.Layout {
	return meter.Layout{Zone: m.Zone, Stamp: m.Stamp, Columns: m.Columns, Unit: m.Unit}
}

func (a *app) sayNotes(notes []meter.Note) {
	for _, n := range notes {
		fmt.Fprintln(a.Err, "spillway: note: "+n.String())
	}
}

// settleRange is what the flags ask for, or all that the meter data covers.
func settleRange(f settleFlags, s *meter.Series) (from, to time.Time, err error) {
	from, to = s.Bounds()
	if f.from != "" {
		if from, err = optionalTime("--from", f.from); err != nil {
			return from, to, err
		}
	}
	if f.to != "" {
		if to, err = optionalTime("--to", f.to); err != nil {
			return from, to, err
		}
	}
	if !to.After(from) {
		return from, to, usagef("--to %s is not after --from %s", to.Format(time.RFC3339), from.Format(time.RFC3339))
	}
	return from, to, nil
}

// books gathers what a settlement is made from: the windows of the calendars over all that the meter data covers, since
// the day of one window is no like day of another, and those that the journal remembers.
func (a *app) books(ctx context.Context, cfg *config.Config, calendars []string, series *meter.Series) (*settle.Books, error) {
	from, to := series.Bounds()
	g := a.gather(ctx, cfg, calendars, cfg.Premises.Zone, from, to)
	if len(calendars) > 0 && len(g.failed) > 0 {
		return nil, errors.Join(g.failed...)
	}
	for _, err := range g.failed {
		fmt.Fprintln(a.Err, "spillway: note: "+err.Error())
	}
	b := &settle.Books{Zone: cfg.Premises.Zone, Meter: series, Windows: plan.Windows(g.verdicts),
		Holidays: map[string]settle.Dates{}, LeaveOut: map[string]settle.Dates{}, Figures: map[string]*meter.Series{}}
	if len(calendars) == 0 && cfg.State != "" {
		if err := remembered(ctx, cfg.State, b, from, to); err != nil {
			return nil, err
		}
	}
	return b, a.termsNeed(ctx, cfg, b, from, to)
}

// remembered adds the windows that the journal knows and the feeds no longer hold.
func remembered(ctx context.Context, state string, b *settle.Books, from, to time.Time) error {
	j, err := journal.OpenReadOnly(state)
	if err != nil {
		return err
	}
	defer j.Close()
	kept, err := j.Windows(ctx, from, to)
	if err != nil {
		return err
	}
	have := map[string]bool{}
	for _, w := range b.Windows {
		have[w.ID] = true
	}
	for _, w := range kept {
		if !have[w.ID] && w.State != actions.Cancelled {
			have[w.ID] = true
			b.Windows = append(b.Windows, actions.Window{ID: w.ID, UID: w.UID, RecurrenceID: w.RecurrenceID, Feed: w.Feed,
				Procedure: w.Procedure, Title: w.Title, Start: w.Start, End: w.End})
		}
	}
	return nil
}

// termsNeed reads the feeds and files that the terms name.
func (a *app) termsNeed(ctx context.Context, cfg *config.Config, b *settle.Books, from, to time.Time) error {
	for _, p := range cfg.Premises.Procedures {
		for _, t := range p.Terms {
			if err := a.dates(ctx, cfg, t.Holidays, b.Holidays, from, to); err != nil {
				return err
			}
			if err := a.dates(ctx, cfg, t.LeaveOut, b.LeaveOut, from, to); err != nil {
				return err
			}
			if t.Figures != "" && b.Figures[t.Figures] == nil {
				s, err := a.meterFile(cfg, t.Figures)
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
func (a *app) dates(ctx context.Context, cfg *config.Config, name string, into map[string]settle.Dates, from, to time.Time) error {
	if name == "" || into[name] != nil {
		return nil
	}
	i := slices.IndexFunc(cfg.Feeds, func(f config.Feed) bool { return f.Name == name })
	if i < 0 {
		return usagef("settlement: there is no feed called %s", name)
	}
	spec := feedSpec(cfg.Feeds[i], cfg.Horizon)
	spec.Back = max(time.Since(from)+lookBack, lookBack)
	r, err := feed.ReadOnce(ctx, spec, feed.Options{UserAgent: userAgent})
	if err != nil {
		return err
	}
	res, err := calendar.Read(r.Body, calendar.Options{Zone: cfg.Premises.Zone, From: from.Add(-lookBack), To: to.Add(lookBack)})
	if err != nil {
		return fmt.Errorf("feeds.%s: %w", name, err)
	}
	into[name] = settle.DatesOf(res.Occurrences, cfg.Premises.Zone)
	return nil
}

// credits returns the recorded credits, with those that the flags add.
func (a *app) credits(ctx context.Context, cfg *config.Config, paid []string) (map[string]decimal.Decimal, error) {
	known := map[string]decimal.Decimal{}
	if cfg.State == "" {
		if len(paid) > 0 {
			return nil, usagef("--paid: state is missing: credits are recorded there")
		}
		return known, nil
	}
	j, err := journal.OpenReadOnly(cfg.State)
	if err != nil {
		return nil, err
	}
	known, err = recordedCredits(ctx, j)
	_ = j.Close()
	if err != nil || len(paid) == 0 {
		return known, err
	}
	came := map[string]decimal.Decimal{}
	for _, s := range paid {
		id, amount, ok := strings.Cut(s, "=")
		d, bad := decimal.NewFromString(strings.TrimSpace(amount))
		if !ok || id == "" || bad != nil {
			return nil, usagef("--paid %s: write WINDOW=AMOUNT, such as 5gib3dyt2y=3.10", s)
		}
		known[id], came[id] = d, d
	}
	return known, keepCredits(ctx, cfg.State, came)
}
