package config

import (
	"testing"
)

const folder = "../testdata/config/"

func TestLoadSmallholding(t *testing.T) {
	c, err := Load(Options{File: folder + "smallholding.toml"})
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range c.Notices {
		t.Log(n)
	}
	t.Logf("%+v", c)
}
