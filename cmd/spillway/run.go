package main

import (
	"context"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"syscall"

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
with --restore-on-exit it gives everything back first. SIGHUP has it read its configuration again; one that cannot be used is
refused, and the old one stays. Under a service manager it tells when it is ready, alive, reloading and stopping.

With --json the log on standard error is JSON, a line each.`,
		Example: `  spillway run --config spillway.toml
  spillway run --watch        # plan and publish, send nothing`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error {
			if watch && leave {
				return usagef("--restore-on-exit sends, and --watch sends nothing: give one of them")
			}
			return a.runDaemon(c.Context(), watch, leave)
		},
	}
	c.Flags().BoolVar(&watch, "watch", false, "plan and publish, and send nothing")
	c.Flags().BoolVar(&leave, "restore-on-exit", false, "give every held point back before it stops")
	return c
}

func (a *app) runDaemon(ctx context.Context, watch, leave bool) error {
	again := make(chan os.Signal, 1)
	signal.Notify(again, syscall.SIGHUP)
	defer signal.Stop(again)
	s := &service{
		load: a.load, opt: daemonOptions{clock: run.System{}, log: a.logger(), watch: watch}, leave: leave, again: again, notify: newNotifier(),
		opened: func(d *daemon) { a.sayAddresses(d, watch) },
	}
	return s.run(ctx)
}

func (a *app) sayAddresses(d *daemon, watch bool) {
	if at := d.feedURL(); at != "" {
		fmt.Fprintf(a.Out, "plan feed: %s\npage:      %s\n", at, d.pageURL())
	}
	if watch {
		fmt.Fprintln(a.Out, "watching: nothing is sent")
	}
}
