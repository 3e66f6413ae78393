package main

import (
	"path/filepath"
	"testing"

	"spillway/config"
)

// The example of every key has a link of every kind, and a kind that can be configured can be opened.
func TestEveryKindOfLinkHasAnOpener(t *testing.T) {
	cfg, err := config.Load(config.Options{File: filepath.Join("..", "..", "testdata", "config", "full.toml"), Env: []string{}})
	if err != nil {
		t.Fatal(err)
	}
	configured := map[string]bool{}
	for _, l := range cfg.Premises.Links {
		configured[l.Protocol] = true
		if openers()[l.Protocol] == nil {
			t.Errorf("links.%s: there is no opener of kind %s", l.Name, l.Protocol)
		}
	}
	for protocol := range openers() {
		if !configured[protocol] {
			t.Errorf("no link of kind %s can be configured", protocol)
		}
	}
}
