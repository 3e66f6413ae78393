//go:build !manual

package main

import "github.com/spf13/cobra"

// extras are none in the program itself; see manual.go.
func (a *app) extras() []*cobra.Command { return nil }
