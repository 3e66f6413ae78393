//go:build manual

package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"
)

// extras are commands for whoever makes packages; the program itself does without them and what they need.
func (a *app) extras() []*cobra.Command {
	return []*cobra.Command{{
		Use:    "manual DIR",
		Short:  "Write the manual pages and the shell completions into a folder",
		Hidden: true,
		Args:   cobra.ExactArgs(1),
		RunE:   func(c *cobra.Command, args []string) error { return writeManual(c.Root(), args[0]) },
	}}
}

// writeManual writes DIR/man/*.1 and DIR/completions/*. The pages are dated by SOURCE_DATE_EPOCH where it is set, so that
// the same source makes the same package.
func writeManual(root *cobra.Command, dir string) error {
	at := time.Now()
	if s := os.Getenv("SOURCE_DATE_EPOCH"); s != "" {
		n, err := strconv.ParseInt(s, 10, 64)
		if err != nil {
			return usagef("SOURCE_DATE_EPOCH: %w", err)
		}
		at = time.Unix(n, 0)
	}
	at = at.UTC()
	man, completions := filepath.Join(dir, "man"), filepath.Join(dir, "completions")
	for _, d := range []string{man, completions} {
		if err := os.MkdirAll(d, 0o755); err != nil {
			return fmt.Errorf("make the folder: %w", err)
		}
	}
	root.DisableAutoGenTag = true
	header := &doc.GenManHeader{Title: "SPILLWAY", Section: "1", Source: "Spillway", Manual: "Spillway", Date: &at}
	if err := doc.GenManTree(root, header, man); err != nil {
		return fmt.Errorf("write the manual pages: %w", err)
	}
	for file, write := range map[string]func(string) error{
		"spillway.bash": func(p string) error { return root.GenBashCompletionFileV2(p, true) },
		"_spillway":     root.GenZshCompletionFile,
		"spillway.fish": func(p string) error { return root.GenFishCompletionFile(p, true) },
		"spillway.ps1":  root.GenPowerShellCompletionFileWithDesc,
	} {
		if err := write(filepath.Join(completions, file)); err != nil {
			return fmt.Errorf("write the completions: %w", err)
		}
	}
	return nil
}
