package main

import (
	"bytes"
	"context"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

var updateExamples = flag.Bool("update-examples", false, "write the examples' plans anew; read them before you keep them")

// TestExamples keeps the examples of the user guide true: each is a configuration without a fault, and `plan` makes of it
// and its calendar what plan.txt beside them shows. plan.args holds the rest of the command line.
func TestExamples(t *testing.T) {
	root := filepath.Join("..", "..", "testdata", "examples")
	folders, err := filepath.Glob(filepath.Join(root, "*", "spillway.toml"))
	if err != nil || len(folders) < 6 {
		t.Fatalf("%d examples in %s: %v", len(folders), root, err)
	}
	for _, file := range folders {
		t.Run(filepath.Base(filepath.Dir(file)), func(t *testing.T) {
			dir := filepath.Dir(file)
			if out, code := spillway(t, "check", "--offline", "--config", file); code != 0 {
				t.Fatalf("check --offline ends with %d:\n%s", code, out)
			}
			args, err := os.ReadFile(filepath.Join(dir, "plan.args"))
			if err != nil {
				t.Fatal(err)
			}
			got, code := spillway(t, append([]string{"plan", "--config", file}, strings.Fields(string(args))...)...)
			if code != 0 {
				t.Fatalf("plan ends with %d:\n%s", code, got)
			}
			golden := filepath.Join(dir, "plan.txt")
			if *updateExamples {
				if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(string(want), got); d != "" {
				t.Errorf("plan.txt differs (-want +got); run with -update-examples and read it:\n%s", d)
			}
		})
	}
}

func spillway(t *testing.T, args ...string) (out string, code int) {
	t.Helper()
	var b bytes.Buffer
	code = execute(context.Background(), args, streams{In: strings.NewReader(""), Out: &b, Err: &b})
	return b.String(), code
}
