package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"spillway/actions/house"
	"spillway/actions/run"
	"spillway/cmd/spillway/page"
	"spillway/config"
)

// demoSpeed makes the story, four and a quarter hours, last under a minute.
const demoSpeed = 300

// demoPatience is how long after the story's end the demo waits for what is still owed, by the demo's clock.
const demoPatience = 30 * time.Minute

type demoFlags struct {
	speed  float64
	seed   uint64
	listen string
	stay   bool
}

func (a *app) demoCommand() *cobra.Command {
	var f demoFlags
	c := &cobra.Command{
		Use:   "demo",
		Short: "A night on a simulated smallholding, sped up",
		Long: `Demo runs the whole job against a simulated smallholding, over real protocols on loopback addresses and with a clock that
runs faster: the calendar, the plan, the devices with their quirks, the restore, and what it was worth. Nothing is installed
and nothing outside a temporary folder is touched.

It exits 0 only when every setting is back at its normal.`,
		Example: "  spillway demo\n  spillway demo --speed 600 --seed 7\n  spillway demo --stay",
		Args:    cobra.NoArgs,
		RunE:    func(c *cobra.Command, _ []string) error { return a.demo(c.Context(), f) },
	}
	c.Flags().Float64Var(&f.speed, "speed", demoSpeed, "the clock runs `N` times faster")
	c.Flags().Uint64Var(&f.seed, "seed", 1, "`N`, what the premises' chances are drawn from")
	c.Flags().StringVar(&f.listen, "listen", "127.0.0.1:0", "`ADDR` of the plan feed and the page")
	c.Flags().BoolVar(&f.stay, "stay", false, "keep the plan feed and the page up at the end, until interrupted")
	return c
}

func (a *app) demo(ctx context.Context, f demoFlags) error {
	if f.speed < 1 || f.speed > 2000 {
		return usagef("--speed %g: give 1 to 2000", f.speed)
	}
	if _, err := net.ResolveTCPAddr("tcp", f.listen); err != nil {
		return usagef("--listen %s: is no address to listen on: write for instance 127.0.0.1:8377, port 0 picking a free one", f.listen)
	}
	if page.Exposed(f.listen, page.Locks{}) != nil {
		return usagef("--listen %s: others could reach the demo's page, which has no lock: listen on 127.0.0.1", f.listen)
	}
	state, err := os.MkdirTemp("", "spillway-demo-")
	if err != nil {
		return fmt.Errorf("make a temporary folder: %w", err)
	}
	defer os.RemoveAll(state)
	start, err := house.StoryStart()
	if err != nil {
		return err
	}
	clock := run.Fast{Start: start, Began: time.Now(), Speed: f.speed}
	h, err := house.Start(house.Options{Clock: clock, Seed: f.seed, Faults: demoFaults(start)})
	if err != nil {
		return fmt.Errorf("start the simulated premises: %w", err)
	}
	defer h.Close()
	cfg, err := demoConfig(h, state, f.listen)
	if err != nil {
		return err
	}
	return a.demoRun(ctx, f, clock, h, cfg)
}

// demoFaults are the mishaps of the story, besides those that the boxes have by nature.
func demoFaults(start time.Time) []house.Fault {
	return []house.Fault{
		{Kind: house.Lose, Link: house.LinkBarn, At: start.Add(2*time.Hour + 40*time.Minute), Count: 1},
		{Kind: house.Slow, Link: house.LinkBoilerRoom, At: start.Add(2*time.Hour + 44*time.Minute), For: 2 * time.Minute, By: 3 * time.Second},
	}
}

func demoConfig(h *house.House, state, listen string) (*config.Config, error) {
	path := filepath.Join(state, config.Name)
	text := h.ConfigWith(house.ConfigOptions{State: filepath.Join(state, "journal"), Listen: listen})
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		return nil, fmt.Errorf("write the demo's configuration: %w", err)
	}
	return config.Load(config.Options{File: path})
}

func (a *app) demoRun(ctx context.Context, f demoFlags, clock run.Fast, h *house.House, cfg *config.Config) error {
	tell := newNarrator(a.Out, clock, cfg.Premises.Zone, h, isTerminal(a.Out))
	d, err := newDaemon(ctx, cfg, daemonOptions{clock: clock, log: tell.logger(a.verbose), changed: tell.changed})
	if err != nil {
		return err
	}
	defer d.close()
	tell.journal = d.journal
	tell.opening(f, d.feedURL(), d.pageURL(), clock.Now())
	work, stop := context.WithCancel(ctx)
	defer stop()
	done := make(chan error, 1)
	go func() { done <- d.run(work, false) }()
	err = tell.follow(ctx, clock, d.runner)
	if err == nil {
		err = tell.closing(ctx, clock.Now(), cfg)
	}
	if f.stay && ctx.Err() == nil {
		fmt.Fprintf(a.Out, "\nThe page stays at %s and the plan feed at %s until you interrupt (Ctrl-C).\n", d.pageURL(), d.feedURL())
		<-ctx.Done()
	}
	stop()
	return errors.Join(err, <-done)
}

// isTerminal reports whether w is a terminal.
func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}
