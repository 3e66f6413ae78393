package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"spillway/actions/plan"
	"spillway/calendar"
	"spillway/config"
)

type windowsFlags struct {
	rangeFlags
	zone           string
	why, cancelled bool
}

func (a *app) windowsCommand() *cobra.Command {
	var f windowsFlags
	c := &cobra.Command{
		Use:   "windows",
		Short: "What the feeds hold, and which procedure takes it",
		Long: `Windows lists every occurrence in the range, in local time, with the procedure that takes it. With --why it says which
event and rule each one is from, and why a procedure takes it or none does. It needs no configuration with --calendar.`,
		Example: `  spillway windows --why
  spillway windows --calendar house.ics --from 2026-12-01T00:00:00Z --to 2027-01-01T00:00:00Z --zone Europe/London`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return a.windows(c.Context(), f, time.Now().UTC()) },
	}
	f.add(c)
	c.Flags().StringVar(&f.zone, "zone", "", "`ZONE` of floating and all-day events, and of what is printed (default: the configured one)")
	c.Flags().BoolVar(&f.why, "why", false, "say for each occurrence which event and rule it is from, and why a procedure takes it or not")
	c.Flags().BoolVar(&f.cancelled, "cancelled", false, "also list cancelled ones")
	return c
}

func (a *app) windows(ctx context.Context, f windowsFlags, now time.Time) error {
	cfg, err := a.loadOptional(f.calendars)
	if err != nil {
		return err
	}
	zone, err := chosenZone(cfg, f.zone)
	if err != nil {
		return err
	}
	from, to, err := f.within(now, horizonOf(cfg))
	if err != nil {
		return err
	}
	g := a.gather(ctx, cfg, f.calendars, zone, from, to)
	if len(f.calendars) > 0 && len(g.failed) == len(f.calendars) {
		return errors.Join(g.failed...)
	}
	list := g.verdicts[:0:0]
	for _, v := range g.verdicts {
		if f.cancelled || v.Occurrence.Status != "cancelled" {
			list = append(list, v)
		}
	}
	if a.json {
		err = windowsJSON(a.Out, zone, from, to, list, g.problems)
	} else {
		windowsTable(a.Out, zone, from, to, list, g.problems, f.why, len(g.failed) == 0)
	}
	return errors.Join(append(g.failed, err)...)
}

func chosenZone(cfg *config.Config, name string) (*time.Location, error) {
	if name != "" {
		zone, err := time.LoadLocation(name)
		if err != nil || name == "Local" {
			return nil, usagef("--zone %s: no such zone: give an IANA name such as Europe/London", name)
		}
		return zone, nil
	}
	if cfg != nil {
		return cfg.Premises.Zone, nil
	}
	return time.UTC, nil
}

func horizonOf(cfg *config.Config) time.Duration {
	if cfg != nil {
		return cfg.Horizon
	}
	return defaultHorizon
}

type occurrenceJSON struct {
	UID          string    `json:"uid"`
	RecurrenceID *string   `json:"recurrence_id"`
	Start        time.Time `json:"start"`
	End          time.Time `json:"end"`
	AllDay       bool      `json:"all_day"`
	Summary      string    `json:"summary"`
	Categories   []string  `json:"categories"`
	Status       string    `json:"status"`
	Procedure    *string   `json:"procedure"`
	Why          string    `json:"why"`
}

func windowsJSON(w io.Writer, zone *time.Location, from, to time.Time, list []plan.Verdict, problems []calendar.Problem) error {
	out := struct {
		Zone        string             `json:"zone"`
		From        time.Time          `json:"from"`
		To          time.Time          `json:"to"`
		Occurrences []occurrenceJSON   `json:"occurrences"`
		Problems    []calendar.Problem `json:"problems"`
	}{Zone: zone.String(), From: from, To: to, Occurrences: []occurrenceJSON{}, Problems: problems}
	if problems == nil {
		out.Problems = []calendar.Problem{}
	}
	for _, v := range list {
		o := v.Occurrence
		j := occurrenceJSON{UID: o.UID, Start: o.Start.UTC(), End: o.End.UTC(), AllDay: o.AllDay, Summary: o.Summary,
			Categories: append([]string{}, o.Categories...), Status: o.Status, Why: v.Why}
		if !o.RecurrenceID.IsZero() {
			id := o.RecurrenceID.UTC().Format(time.RFC3339)
			j.RecurrenceID = &id
		}
		if v.Procedure != "" && v.Window != nil {
			j.Procedure = &v.Procedure
		}
		out.Occurrences = append(out.Occurrences, j)
	}
	return printJSON(w, out)
}

// printJSON writes v indented, and leaves text as it is: < and & are no markup here.
func printJSON(w io.Writer, v any) error {
	enc := json.NewEncoder(w)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	return enc.Encode(v)
}

func windowsTable(w io.Writer, zone *time.Location, from, to time.Time, list []plan.Verdict, problems []calendar.Problem, why, whole bool) {
	fmt.Fprintf(w, "%s to %s (%s)\n", from.In(zone).Format("Mon 2 Jan 2006 15:04"), to.In(zone).Format("Mon 2 Jan 2006 15:04"), zone)
	if len(list) == 0 && whole { // what a feed that failed holds is not known
		fmt.Fprintln(w, "no occurrences")
	}
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, v := range list {
		o := v.Occurrence
		taken := v.Procedure
		if v.Window == nil {
			taken = "-"
		}
		title := oneLine(o.Summary)
		if o.Status == "cancelled" {
			title += " (cancelled)"
		}
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\n", o.Start.In(zone).Format("Mon 2 Jan 15:04"), until(o.Start, o.End, zone), taken, title)
		if why {
			fmt.Fprintf(tw, "\t\t\t  %s; from %s, line %d, %s\n", oneLine(v.Why), oneLine(o.UID), o.Line, oneLine(o.Rule))
			for _, n := range o.Notes {
				fmt.Fprintf(tw, "\t\t\t  %s\n", oneLine(n))
			}
		}
	}
	_ = tw.Flush()
	for _, p := range problems {
		fmt.Fprintf(w, "problem: %s: %s\n", oneLine(p.Where), oneLine(p.What))
	}
}

// until writes the end of a stretch, with its day only where that is another one.
func until(start, end time.Time, zone *time.Location) string {
	s, e := start.In(zone), end.In(zone)
	if s.YearDay() == e.YearDay() && s.Year() == e.Year() {
		return "to " + e.Format("15:04")
	}
	return "to " + e.Format("Mon 2 Jan 15:04")
}
