package main

import (
	"context"
	"fmt"
	"path/filepath"

	"github.com/spf13/cobra"

	"spillway/actions/run"
)

// feedFolder is where the last good copies of the feeds are kept.
func feedFolder(state string) string { return filepath.Join(state, "feeds") }

func (a *app) runCommand() *cobra.Command {
	var watch, leave bool
	c := &cobra.Command{
		Use:   "run",
		Short: "Poll, plan, carry out and publish, until stopped",
		Long: `Run is the daemon. It polls the feeds, plans, carries the plan out and publishes it.

Stopped by SIGTERM or an interrupt it leaves holds in place, and the next start takes them up or gives them back;
with --restore-on-exit it gives everything back first.`,
		Example: `  spillway run --config spillway.toml
  spillway run --watch        # plan and publish, send nothing`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return a.runDaemon(c.Context(), watch, leave) },
	}
	c.Flags().BoolVar(&watch, "watch", false, "plan and publish, and send nothing")
	c.Flags().BoolVar(&leave, "restore-on-exit", false, "give every held point back before the end")
	return c
}

func (a *app) runDaemon(ctx context.Context, watch, leave bool) error {
	cfg, err := a.load()
	if err != nil {
		return err
	}
	d, err := newDaemon(ctx, cfg, daemonOptions{clock: run.System{}, log: a.logger(), watch: watch})
	if err != nil {
		return err
	}
	defer d.close()
	if at := d.feedURL(); at != "" {
		fmt.Fprintf(a.Out, "plan feed: %s\npage:      %s\n", at, d.pageURL())
	}
	if watch {
		fmt.Fprintln(a.Out, "watching: nothing is sent")
	}
	return d.run(ctx, leave)
}
