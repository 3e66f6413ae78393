package main

import (
	"strings"

	"github.com/spf13/cobra"

	"spillway/actions"
	"spillway/config"
)

// complete lets a shell propose what the configuration names, wherever a flag takes it.
func (a *app) complete(root *cobra.Command) {
	names := map[string]func(*config.Config) []string{
		"device":       deviceNames,
		"find-spacing": linkNames,
		"try": func(c *config.Config) []string {
			return pointNames(c, func(p *actions.Point) bool { return p.Write != nil && !p.Protects })
		},
		"reading": func(c *config.Config) []string {
			return pointNames(c, func(p *actions.Point) bool { return p.Read != nil })
		},
		"to": feedNames,
	}
	for _, c := range root.Commands() {
		for flag, list := range names {
			if c.Flags().Lookup(flag) == nil || flag == "to" && c.Name() != "add" {
				continue
			}
			_ = c.RegisterFlagCompletionFunc(flag, func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
				cfg, err := a.load()
				if err != nil {
					return nil, cobra.ShellCompDirectiveDefault
				}
				proposals := list(cfg)
				if len(proposals) > 0 && strings.HasSuffix(proposals[0], "=") {
					return proposals, cobra.ShellCompDirectiveNoSpace | cobra.ShellCompDirectiveNoFileComp
				}
				return proposals, cobra.ShellCompDirectiveDefault
			}) // the flag is there and has no other: no error
		}
	}
	_ = root.MarkPersistentFlagFilename("config", "toml")
}

func deviceNames(c *config.Config) []string {
	var list []string
	for i := range c.Premises.Devices {
		list = append(list, c.Premises.Devices[i].Name)
	}
	return list
}

func linkNames(c *config.Config) []string {
	var list []string
	for i := range c.Premises.Links {
		list = append(list, c.Premises.Links[i].Name)
	}
	return list
}

// pointNames are points as they begin a setting: "device.point=".
func pointNames(c *config.Config, fits func(*actions.Point) bool) []string {
	var list []string
	for i := range c.Premises.Devices {
		for j := range c.Premises.Devices[i].Points {
			if p := &c.Premises.Devices[i].Points[j]; fits(p) {
				list = append(list, p.Ref.String()+"=")
			}
		}
	}
	return list
}

// feedNames are the feeds that can be written.
func feedNames(c *config.Config) []string {
	var list []string
	for _, f := range c.Feeds {
		if _, local := localPath(f.URL); local {
			list = append(list, f.Name)
		}
	}
	return list
}
