package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"spillway/actions/journal"
	"spillway/actions/meter"
	"spillway/actions/settle"
	"spillway/config"
)

// paidKey is the journal's key of recorded credits, by window id.
const paidKey = "credits that came"

type settleFlags struct {
	rangeFlags
	meters   []string
	only     []string
	paid     []string
	csv, svg bool
	imports  bool
	replace  bool
	evidence string
	year     string
}

func (a *app) settleCommand() *cobra.Command {
	var f settleFlags
	c := &cobra.Command{
		Use:   "settle",
		Short: "Baseline, gain and credit of past windows, from meter data",
		Long: `Settle compares what the meter showed in each past window with what it would usually have shown, by the terms of its
procedure, and says what credit should follow and by when. A figure is an estimate until the supplier settles.

Windows are those of the feeds and those that the journal remembers, or with --calendar those of the calendars named and
no others. A feed that cannot be read counts by its last good copy.

Meter data, where --meter names files, is those files and nothing else. Otherwise it is, for each stretch of time, the
first of these that has it: the files configured under [meter], what --import kept in the journal, and what 'spillway run'
recorded from the configured meter point. Files that are read together must agree where they overlap. An import that
contradicts what was imported before is refused, unless --replace says that the new data counts.`,
		Example: `  spillway settle --meter meter/june.csv
  spillway settle --calendar house.ics --meter june.csv --json
  spillway settle --import --meter june.csv
  spillway settle --paid 5gib3dyt2y=3.10
  spillway settle --window 5gib3dyt2y --evidence dispute
  spillway settle --year 2026 --svg > 2026.svg`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if err := f.takeYear(args, a.json); err != nil {
				return err
			}
			return a.settle(c.Context(), f, time.Now().UTC())
		},
	}
	f.add(c)
	c.Flags().Lookup("from").Usage = "only windows that end after `T` (RFC 3339; default: all that the meter data covers)"
	c.Flags().Lookup("to").Usage = "only windows that begin before `T` (RFC 3339; default: the end of the meter data)"
	c.Flags().StringArrayVar(&f.meters, "meter", nil, "read this meter `FILE` in place of all other meter data (repeatable)")
	c.Flags().StringArrayVar(&f.only, "window", nil, "only the window with this `ID` (repeatable)")
	c.Flags().StringArrayVar(&f.paid, "paid", nil, "record a credit that came, `WINDOW=AMOUNT` (repeatable)")
	c.Flags().BoolVar(&f.csv, "csv", false, "print CSV, to send to the supplier")
	c.Flags().BoolVar(&f.imports, "import", false, "keep the meter files in the journal, and settle nothing")
	c.Flags().BoolVar(&f.replace, "replace", false, "with --import: what the files say takes the place of what was imported")
	c.Flags().StringVar(&f.evidence, "evidence", "", "write into `FOLDER` what a dispute needs, for each window")
	c.Flags().StringVar(&f.year, "year", "", "sum up a `YEAR` by procedure and month (default: this one)")
	c.Flags().Lookup("year").NoOptDefVal = thisYear
	c.Flags().BoolVar(&f.svg, "svg", false, "with --year: print a drawing")
	return c
}

// thisYear stands for the year in which the command is called.
const thisYear = "this"

// takeYear takes the argument of a bare --year, and refuses any other, and flags that mean nothing together.
func (f *settleFlags) takeYear(args []string, json bool) error {
	if len(args) > 0 {
		if f.year != thisYear {
			return usagef("%q is no flag: see 'spillway settle --help'", args[0])
		}
		f.year = args[0]
	}
	if f.year != "" && f.year != thisYear && !regexp.MustCompile(`^[12][0-9]{3}$`).MatchString(f.year) {
		return usagef("--year %s: write a year, such as 2026", f.year)
	}
	given := map[string]bool{"--csv": f.csv, "--import": f.imports, "--evidence": f.evidence != "", "--year": f.year != ""}
	var together []string
	for name, on := range given {
		if on {
			together = append(together, name)
		}
	}
	slices.Sort(together)
	switch {
	case len(together) > 1:
		return usagef("%s: one at a time", strings.Join(together, " and "))
	case f.svg && f.year == "":
		return usagef("--svg draws a year: give --year too")
	case json && (f.csv || f.svg):
		return usagef("give one of --json, --csv and --svg")
	case f.replace && !f.imports:
		return usagef("--replace belongs to --import")
	case f.year != "" && (f.from != "" || f.to != ""):
		return usagef("--year is a range by itself: leave --from and --to out")
	}
	return nil
}

func (a *app) settle(ctx context.Context, f settleFlags, now time.Time) error {
	cfg, err := a.load()
	if err != nil {
		return err
	}
	came, err := parsePaid(f.paid)
	if err != nil {
		return err
	}
	if len(came) > 0 && cfg.State == "" {
		return usagef("--paid: state is missing: credits are recorded there")
	}
	kept, err := journal.OpenReadOnly(cfg.State)
	if err != nil {
		return err
	}
	defer kept.Close()
	l := a.ledger(cfg, kept, now)
	if f.imports {
		return l.importMeter(ctx, f.meters, f.replace)
	}
	series, err := l.series(ctx, f.meters)
	if errors.Is(err, errNoMeterData) && len(came) > 0 {
		return l.recordAlone(ctx, f.calendars, came)
	}
	if err != nil {
		return err
	}
	from, to, err := f.settleRange(series, cfg.Premises.Zone, now)
	if err != nil {
		return err
	}
	books, err := l.books(ctx, f.calendars, series, from, to)
	if err != nil {
		return err
	}
	if err := l.record(ctx, came, books); err != nil {
		return err
	}
	results := settle.New(*books).All(&cfg.Premises, from, to)
	if results, err = pickWindows(results, f.only); err != nil {
		return err
	}
	if err := l.made(ctx, results); err != nil {
		return err
	}
	switch {
	case f.evidence != "":
		return l.evidence(ctx, f.evidence, results)
	case f.year != "":
		results = slices.DeleteFunc(results, func(r settle.Result) bool { return r.Window.Start.Before(from) })
		return a.printYear(results, from.In(cfg.Premises.Zone).Year(), cfg.Premises.Zone, now, f.svg)
	}
	return a.printSettled(results, cfg, now, f.csv)
}

func (a *app) printSettled(results []settle.Result, cfg *config.Config, now time.Time, csv bool) (err error) {
	switch {
	case a.json:
		if results == nil {
			results = []settle.Result{}
		}
		return printJSON(a.Out, struct {
			Windows []settle.Result `json:"windows"`
		}{results})
	case csv:
		_, err = io.WriteString(a.Out, settle.CSV(results, cfg.Premises.Zone))
	case len(results) == 0:
		_, err = fmt.Fprintln(a.Out, "no window of a procedure that settles lies in the meter data")
	default:
		_, err = io.WriteString(a.Out, settle.Table(results, cfg.Premises.Zone, now))
	}
	return err
}

// settleRange is what the flags ask for, or all that the meter data covers.
func (f *settleFlags) settleRange(s *meter.Series, zone *time.Location, now time.Time) (from, to time.Time, err error) {
	first, last := s.Bounds()
	from, to = first, last
	if f.year != "" {
		year := now.In(zone).Year()
		if f.year != thisYear {
			_, _ = fmt.Sscan(f.year, &year) // checked before
		}
		from, to = time.Date(year, 1, 1, 0, 0, 0, 0, zone).UTC(), time.Date(year+1, 1, 1, 0, 0, 0, 0, zone).UTC()
		if now.Before(to) && now.After(from) {
			to = now // what lies ahead is no result yet
		}
		return from, to, nil
	}
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
	switch {
	case to.After(from):
		return from, to, nil
	case f.from != "" && f.to != "":
		return from, to, usagef("--to %s is not after --from %s", f.to, f.from)
	case f.from != "":
		return from, to, usagef("--from %s is not before the end of the meter data, %s: give --to too", f.from, last.Format(time.RFC3339))
	}
	return from, to, usagef("--to %s is not after the start of the meter data, %s: give --from too", f.to, first.Format(time.RFC3339))
}

// pickWindows keeps the windows that --window names.
func pickWindows(results []settle.Result, ids []string) ([]settle.Result, error) {
	if len(ids) == 0 {
		return results, nil
	}
	for _, id := range ids {
		if !slices.ContainsFunc(results, func(r settle.Result) bool { return r.Window.ID == id }) {
			return nil, usagef("--window %s: no window with that id settles in the range: 'spillway settle --json' lists them", id)
		}
	}
	return slices.DeleteFunc(results, func(r settle.Result) bool { return !slices.Contains(ids, r.Window.ID) }), nil
}
