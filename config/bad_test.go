package config

import (
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write what is expected anew; look at the difference before you keep it")

// Each file under bad has its faults beside it, one a line: line, key, value, what is wrong and what to do.
func TestBadConfigurations(t *testing.T) {
	files, err := filepath.Glob(folder + "bad/*.toml")
	if err != nil || len(files) == 0 {
		t.Fatalf("no files: %v", err)
	}
	total := 0
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			_, err := Load(Options{File: file, Env: []string{}})
			var all *Error
			if !errors.As(err, &all) {
				t.Fatalf("got %v, want faults", err)
			}
			total += len(all.Faults)
			dir, _ := filepath.Abs(filepath.Dir(file))
			got := strings.ReplaceAll(err.Error(), dir+"/", "") + "\n"
			got = strings.ReplaceAll(got, filepath.Dir(file)+"/", "")
			beside := strings.TrimSuffix(file, ".toml") + ".want"
			if *update {
				if err := os.WriteFile(beside, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(beside)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(string(want), got); d != "" {
				t.Error(d)
			}
			if strings.Contains(got, "hunter2") {
				t.Error("a secret is shown")
			}
			for _, f := range all.Faults {
				if strings.Contains(f.Error(), "\n") || f.Line == 0 {
					t.Errorf("not one line with its place: %q", f.Error())
				}
			}
		})
	}
	if total < 40 {
		t.Errorf("%d faults are tried, 40 at least are wanted", total)
	}
}
