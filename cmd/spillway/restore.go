package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"

	"github.com/spf13/cobra"

	"spillway/actions/journal"
	"spillway/actions/link"
	"spillway/actions/run"
	"spillway/config"
)

func (a *app) restoreCommand() *cobra.Command {
	var device string
	c := &cobra.Command{
		Use:   "restore",
		Short: "Put every held point back now",
		Long: `Restore puts every held point back at its normal now. The windows that held them are stood down and not taken up again.
Beside a running daemon it asks that one to do it.

It waits until the devices confirm it, five minutes at most, and names what is not back. A running daemon goes on trying;
without one, run it again.`,
		Example: "  spillway restore\n  spillway restore --device barn_battery",
		Args:    cobra.NoArgs,
		RunE:    func(c *cobra.Command, _ []string) error { return a.restore(c.Context(), device) },
	}
	c.Flags().StringVar(&device, "device", "", "only this `DEVICE`")
	return c
}

func (a *app) restore(ctx context.Context, device string) error {
	cfg, err := a.load()
	if err != nil {
		return err
	}
	if cfg.State == "" {
		return usagef(`%s: state is missing: what is held is written there`, cfg.File)
	}
	if device != "" && cfg.Premises.Device(device) == nil {
		return usagef("--device %s: the configuration has no such device", device)
	}
	var out restored
	err = askOrDo(ctx, func() (running bool, err error) {
		out, running, err = askDaemon(ctx, cfg.State, device)
		return running, err
	}, func() (err error) {
		out, err = a.restoreAlone(ctx, cfg, device)
		return err
	})
	if err != nil {
		return err
	}
	return a.sayRestored(out)
}

// restoreAlone gives everything back where no daemon runs: a runner with the journal and the links, and no feed.
func (a *app) restoreAlone(ctx context.Context, cfg *config.Config, device string) (restored, error) {
	j, err := journal.Open(cfg.State, journal.Options{})
	if err != nil {
		return restored{}, err
	}
	defer j.Close()
	if err := droppedDevices(j.Standing(), &cfg.Premises); err != nil {
		return restored{}, usageError{err}
	}
	links, err := openLinks(&cfg.Premises)
	if err != nil {
		return restored{}, usageError{err}
	}
	defer closeLinks(links)
	return a.runRestore(ctx, cfg, j, links, device)
}

// runRestore lets a runner give everything back and ends with it.
func (a *app) runRestore(ctx context.Context, cfg *config.Config, j *journal.Journal, links map[string]link.Link, device string) (restored, error) {
	r := run.NewRunner(run.Config{
		Settings: run.Settings{Premises: &cfg.Premises, Journal: j, Horizon: cfg.Horizon, Readiness: cfg.Ready, Only: device},
		Clock:    run.System{}, Links: links, Log: a.warnings(),
		// First of all, so that the windows are stood down before anything is put back.
		First: []run.Event{run.GiveBack{Device: device}},
	})
	out := restored{Asked: owedOn(run.Snapshot{Standing: j.Standing()}, device)}
	work, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer a.working("putting back what is held")()
	done := make(chan error, 1)
	go func() { done <- r.Run(work) }()
	wait, cancel := context.WithTimeout(ctx, restoreWait)
	defer cancel()
	after, _ := r.Until(wait, func(s run.Snapshot) bool { return len(owedOn(s, device)) == 0 })
	out.Owed = owedOn(after, device)
	stop()
	return out, <-done
}

// warnings is the log of a command that says itself what went well.
func (a *app) warnings() *slog.Logger {
	if a.verbose {
		return a.logger()
	}
	return slog.New(slog.NewTextHandler(a.Err, &slog.HandlerOptions{Level: slog.LevelWarn}))
}

func (a *app) sayRestored(out restored) error {
	if a.json {
		if err := printJSON(a.Out, out); err != nil {
			return err
		}
	} else {
		switch {
		case len(out.Asked) == 0:
			fmt.Fprintln(a.Out, "nothing is held")
		case len(out.Owed) == 0:
			fmt.Fprintf(a.Out, "back at their normal: %s\n", strings.Join(out.Asked, ", "))
		}
	}
	if len(out.Owed) > 0 {
		return errors.New("not confirmed back yet: " + strings.Join(out.Owed, ", ") +
			": look at the link and the device, and at what a running daemon says; that one goes on trying, without one run this again")
	}
	return nil
}
