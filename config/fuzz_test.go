package config

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// Whatever stands in the file or in a variable, the answer is a configuration or one-line faults, each with its place.
func FuzzLoad(f *testing.F) {
	files, err := filepath.Glob(folder + "bad/*.toml")
	if err != nil {
		f.Fatal(err)
	}
	for _, file := range append(files, folder+"smallholding.toml", folder+"full.toml") {
		doc, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(string(doc), "SPILLWAY_SUPPLY", `{ limit = "60 A" }`)
	}
	f.Add("a = 1\n[[a.b]]\n[a.b.c]\n", "SPILLWAY_DEVICES__A__POINTS__B__VALUES__ON", "true")
	f.Add("[procedures.a]\nmatch = { title = \"/a/\" }\nsettlement = [{}, {}, 1]\n", "SPILLWAY_PROCEDURES__A__SETTLEMENT__SINCE", "[")
	f.Fuzz(func(t *testing.T, doc, name, value string) {
		_, err := parseConfig([]byte(doc), "/nowhere/"+Name, Options{Env: []string{name + "=" + value}})
		if err == nil {
			return
		}
		var all *Error
		if !errors.As(err, &all) || len(all.Faults) == 0 {
			t.Fatalf("no faults: %v", err)
		}
		for _, f := range all.Faults {
			if strings.ContainsAny(f.Error(), "\n\r\x00") || f.What == "" || f.Line == 0 && f.Var == "" {
				t.Errorf("not one line with its place: %q", f.Error())
			}
		}
	})
}
