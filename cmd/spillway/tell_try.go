package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"spillway/actions/link"
	"spillway/actions/tell"
	"spillway/config"
)

const (
	// tryWithin is how long it is tried to tell someone, and tryEvery how soon again: a broker is not there at once.
	tryWithin = 20 * time.Second
	tryEvery  = time.Second
)

func (a *app) tellCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "tell [NAME]",
		Short: "Send a test message to those who are told of faults",
		Long: `Tell sends a test message to everybody whom the configuration has under [tell.NAME], or to the one named, and says
whether it was taken. It is spillway run that tells of faults: each once, with an all-clear when it is in order again.`,
		Example: "  spillway tell\n  spillway tell ada",
		Args:    cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			return a.tell(c.Context(), append(args, "")[0], tryWithin)
		},
	}
}

func (a *app) tell(ctx context.Context, name string, within time.Duration) error {
	cfg, err := a.load()
	if err != nil {
		return err
	}
	if len(cfg.Tell) == 0 {
		return usagef("%s: nobody is told of faults: write [tell.NAME] with the url of a webhook or mail server", cfg.File)
	}
	found := false
	var failed []error
	for _, t := range cfg.Tell {
		if name == "" || t.Name == name {
			found = true
			failed = append(failed, a.tellOne(ctx, cfg, t, within))
		}
	}
	if !found {
		return usagef("there is no tell.%s in the configuration", oneLine(name))
	}
	return errors.Join(failed...)
}

// tellOne sends a test to whom one [tell.NAME] stands for.
func (a *app) tellOne(ctx context.Context, cfg *config.Config, t config.Tell, within time.Duration) error {
	d := &daemon{cfg: cfg, links: map[string]link.Link{}}
	defer d.closeAides()
	defer func() { closeLinks(d.links) }()
	if spec := cfg.Premises.Link(t.Link); spec != nil {
		l, err := openers()[spec.Protocol](*spec, nil)
		if err != nil {
			return fmt.Errorf("links.%s: %w", spec.Name, err)
		}
		d.links[spec.Name] = l
	}
	receivers, err := d.receivers(t)
	if err != nil {
		return fmt.Errorf("tell.%s: %w", t.Name, err)
	}
	var failed []error
	for _, r := range receivers {
		if err := tryTelling(ctx, r, cfg.Premises.Zone, within); err != nil {
			failed = append(failed, fmt.Errorf("tell.%s: %w", r.Name, err))
			continue
		}
		fmt.Fprintf(a.Out, "tell.%s: told\n", r.Name)
	}
	return errors.Join(failed...)
}

// tryTelling tries until it could be told or the time is over. Only a link that is not there yet is tried again: a message
// that may have arrived is not sent twice.
func tryTelling(ctx context.Context, r tell.Receiver, zone *time.Location, within time.Duration) error {
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	for {
		err := r.Sender.Send(ctx, tell.Test(r.Name, time.Now(), zone))
		var problem *link.Error
		if !errors.As(err, &problem) || problem.Class != link.Unreachable {
			return err
		}
		select {
		case <-ctx.Done():
			return err
		case <-time.After(tryEvery):
		}
	}
}
