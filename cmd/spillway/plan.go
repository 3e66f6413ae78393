package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"spillway/actions"
	"spillway/actions/journal"
	"spillway/actions/plan"
	"spillway/actions/publish"
	"spillway/actions/statement"
	"spillway/calendar"
	"spillway/config"
)

type planFlags struct {
	rangeFlags
	at       string
	readings []string
	ics, svg bool
	steps    bool
}

func (a *app) planCommand() *cobra.Command {
	var f planFlags
	c := &cobra.Command{
		Use:   "plan",
		Short: "What will be done, when and why",
		Long: `Plan shows every step of every window in the range, with the power profile against the supply limit.

It asks the devices for their readings and looks into the journal, unless --at or --reading makes it a question of "what if":
then it asks no device, ignores the journal, and plans nothing before --at.`,
		Example: `  spillway plan
  spillway plan --at 2026-12-05T09:00:00Z --reading barn_battery.charge_level=40 --json
  spillway plan --ics > plan.ics`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return a.plan(c.Context(), f, time.Now().UTC()) },
	}
	f.add(c)
	c.Flags().StringVar(&f.at, "at", "", "plan as if it were `T` (RFC 3339)")
	c.Flags().StringArrayVar(&f.readings, "reading", nil, "take `device.point=value` as read (repeatable)")
	c.Flags().BoolVar(&f.ics, "ics", false, "print the plan as a calendar")
	c.Flags().BoolVar(&f.svg, "svg", false, "print the plan as a drawing")
	c.Flags().BoolVar(&f.steps, "steps", false, "with --ics: one event for each step")
	return c
}

func (a *app) plan(ctx context.Context, f planFlags, now time.Time) error {
	if err := a.oneOutput(f); err != nil {
		return err
	}
	cfg, err := a.load()
	if err != nil {
		return err
	}
	supposed := f.at != "" || len(f.readings) > 0
	if f.at != "" {
		if now, err = time.Parse(time.RFC3339, f.at); err != nil {
			return usagef("--at %s: write RFC 3339, such as 2026-12-05T09:00:00Z", f.at)
		}
		now = now.UTC()
	}
	from, to, err := f.within(now, cfg.Horizon)
	if err != nil {
		return err
	}
	in := plan.Input{Premises: &cfg.Premises, Now: now, To: to, Standing: actions.NewStanding()}
	if in.Readings, err = givenReadings(&cfg.Premises, f.readings, now); err != nil {
		return err
	}
	l := a.ledger(cfg, &journal.Reader{}, now)
	if !a.verbose {
		l.note = func(string) {}
	}
	g := a.gatherBy(ctx, l.keep, cfg, f.calendars, cfg.Premises.Zone, from, to)
	if n := len(a.sources(cfg, f.calendars)); n > 0 && len(g.failed) == n {
		return errors.Join(g.failed...)
	}
	in.Windows = plan.Windows(g.verdicts)
	if !supposed {
		if err := a.asItStands(ctx, cfg, &in); err != nil {
			return err
		}
	}
	made := plan.Make(in)
	var more map[string][]string
	if !a.json && !f.ics && !f.svg {
		if !supposed {
			kept, err := journal.OpenReadOnly(cfg.State)
			if err != nil {
				return err
			}
			defer kept.Close()
			l.kept = kept
		}
		more = l.outlook(ctx, f.calendars, made)
	}
	if err := a.printPlan(made, cfg, g, f, more); err != nil {
		return err
	}
	return errors.Join(g.failed...)
}

// oneOutput refuses flags that ask for two outputs at once.
func (a *app) oneOutput(f planFlags) error {
	asked := 0
	for _, on := range []bool{a.json, f.ics, f.svg} {
		if on {
			asked++
		}
	}
	switch {
	case asked > 1:
		return usagef("give one of --json, --ics and --svg")
	case f.steps && !f.ics:
		return usagef("--steps belongs to --ics: add it")
	}
	return nil
}

// givenReadings reads the --reading flags. A bare number is in the point's unit.
func givenReadings(p *actions.Premises, list []string, at time.Time) (actions.Readings, error) {
	readings := actions.Readings{}
	for _, s := range list {
		name, text, ok := strings.Cut(s, "=")
		ref, err := actions.ParseRef(strings.TrimSpace(name))
		if !ok || err != nil {
			return nil, usagef("--reading %s: write device.point=value", s)
		}
		pt := p.Point(ref)
		if pt == nil {
			return nil, usagef("--reading %s: the configuration has no point %s", s, ref)
		}
		text = strings.TrimSpace(text)
		v, err := statement.ParseValue(text, pt)
		if n, bare := strconv.ParseFloat(text, 64); bare == nil && len(pt.Values) == 0 {
			v, err = actions.Number(n), nil
		}
		if err != nil {
			return nil, usagef("--reading %s: %w", s, err)
		}
		readings[ref] = actions.Reading{Value: v, At: at}
	}
	return readings, nil
}

// asItStands adds what the devices read and what the journal holds.
func (a *app) asItStands(ctx context.Context, cfg *config.Config, in *plan.Input) error {
	if cfg.State != "" {
		j, err := journal.OpenReadOnly(cfg.State)
		if err != nil {
			return err
		}
		in.Standing = j.Standing()
		in.Premises.Identity, err = j.MadeSecret(ctx, identitySecret)
		if err == nil {
			in.HygieneDue, err = hygieneDue(ctx, j, &cfg.Premises)
		}
		_ = j.Close()
		if err != nil {
			return err
		}
	}
	readings, err := a.readAll(ctx, cfg)
	if err != nil {
		return err
	}
	for ref, r := range readings {
		if _, given := in.Readings[ref]; !given {
			in.Readings[ref] = r
		}
	}
	return nil
}

// printPlan prints the plan as the flags ask. more is what the table says besides of windows, by id.
func (a *app) printPlan(p *actions.Plan, cfg *config.Config, g gathered, f planFlags, more map[string][]string) error {
	switch {
	case f.ics:
		detail := publish.Phases
		if f.steps {
			detail = publish.Steps
		}
		return planICS(a.Out, p, cfg, detail)
	case f.svg:
		return planSVG(a.Out, p, cfg)
	case a.json:
		return printJSON(a.Out, planView(p))
	}
	planTable(a.Out, p, &cfg.Premises, g.problems, more)
	return nil
}

func planICS(w io.Writer, p *actions.Plan, cfg *config.Config, detail string) error {
	entries := publish.Fixed(publish.Entries(p, nil, &cfg.Premises, publish.Options{
		Detail: detail, Zone: cfg.Premises.Zone, Now: p.At,
	}), p.At)
	body, err := calendar.Encode(publish.Calendar(entries, cfg.Premises.Zone, p.At))
	if err != nil {
		return fmt.Errorf("write the plan as a calendar: %w", err)
	}
	_, err = w.Write(body)
	return err
}
