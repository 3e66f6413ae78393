package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"spillway/config"
)

// Exit statuses.
const (
	exitFine   = 0
	exitFailed = 1 // something failed
	exitUsage  = 2 // usage or configuration
)

// streams are where a command reads and writes.
type streams struct {
	In       io.Reader
	Out, Err io.Writer
}

// app is what every command shares: the common flags and the streams.
type app struct {
	streams
	configFile string
	json       bool
	verbose    bool
}

// usageError is a call or a configuration that cannot be meant as it stands.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// execute runs one command line and returns its exit status.
func execute(ctx context.Context, args []string, s streams) int {
	a := &app{streams: s}
	root := a.root()
	root.SetArgs(args)
	root.SetIn(s.In)
	root.SetOut(s.Out)
	root.SetErr(s.Err)
	err := root.ExecuteContext(ctx)
	if err == nil {
		return exitFine
	}
	for _, line := range strings.Split(strings.TrimSpace(err.Error()), "\n") {
		if line != "" {
			fmt.Fprintln(s.Err, "spillway: "+line)
		}
	}
	var usage usageError
	if errors.As(err, &usage) {
		return exitUsage
	}
	return exitFailed
}

func (a *app) root() *cobra.Command {
	root := &cobra.Command{
		Use:     "spillway",
		Version: version(),
		Short:   "Calendar windows in, device plans out, every setting back as it was",
		Long: `Spillway polls a calendar for windows announced by an electricity supplier, prepares the batteries, the tank and the car
beforehand, switches them on the minute, keeps the sum below the supply limit, and puts every setting back afterwards.

Exit status: 0 fine, 1 something failed, 2 usage or configuration.

Shell completion: spillway completion bash --help, and zsh, fish and powershell likewise.`,
		Example: `  spillway demo                 # a night on a simulated smallholding, in a minute
  spillway init                 # ask a few questions and write a configuration
  spillway check                # is everything in order, and what to do where it is not
  spillway plan                 # what will be done, when and why
  spillway run                  # do it`,
		SilenceErrors: true,
		SilenceUsage:  true,
		Args:          cobra.NoArgs,
		RunE:          func(c *cobra.Command, _ []string) error { return c.Help() },
	}
	root.PersistentFlags().StringVar(&a.configFile, "config", "", "configuration `FILE` (default: ./spillway.toml, then the user's and the system's configuration folders)")
	root.PersistentFlags().BoolVar(&a.json, "json", false, "print JSON")
	root.PersistentFlags().BoolVarP(&a.verbose, "verbose", "v", false, "say more on standard error")
	root.SetFlagErrorFunc(func(c *cobra.Command, err error) error {
		var value *pflag.InvalidValueError
		if errors.As(err, &value) {
			return usagef("--%s %s: is no %s: see '%s --help'", value.GetFlag().Name, value.GetValue(), kinds[value.GetFlag().Value.Type()], c.CommandPath())
		}
		return usagef("%w: see '%s --help'", err, c.CommandPath())
	})
	root.AddCommand(a.demoCommand(), a.runCommand(), a.checkCommand(), a.windowsCommand(), a.planCommand(), a.logCommand(),
		a.restoreCommand(), a.settleCommand(), a.addCommand(), a.initCommand(), a.secretCommand(), a.standDownCommand(), a.tellCommand())
	root.AddCommand(a.extras()...)
	a.complete(root)
	usageArgs(root)
	return root
}

// kinds are what a flag takes that is not text, by the names that the flags' package has for them.
var kinds = map[string]string{"bool": "true or false", "float64": "number", "uint64": "whole number from 0"}

// usageArgs makes wrong arguments a usage error on every command.
func usageArgs(c *cobra.Command) {
	if check := c.Args; check != nil {
		c.Args = func(c *cobra.Command, args []string) error {
			if err := check(c, args); err != nil {
				return usagef("%w: see '%s --help'", err, c.CommandPath())
			}
			return nil
		}
	}
	for _, sub := range c.Commands() {
		usageArgs(sub)
	}
}

// logger writes structured lines to standard error.
func (a *app) logger() *slog.Logger {
	level := slog.LevelInfo
	if a.verbose {
		level = slog.LevelDebug
	}
	if a.json {
		return slog.New(slog.NewJSONHandler(a.Err, &slog.HandlerOptions{Level: level}))
	}
	return slog.New(slog.NewTextHandler(a.Err, &slog.HandlerOptions{Level: level}))
}

// load reads the configuration; what is wrong with it is a usage error.
func (a *app) load() (*config.Config, error) {
	c, err := config.Load(config.Options{File: a.configFile, Env: os.Environ()})
	if err != nil {
		return nil, usageError{err}
	}
	return c, nil
}
