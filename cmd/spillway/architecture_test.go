package main

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

const module = "spillway"

// mayImport says which rooms of ours a room may use. A room that is not listed here is unknown, and the test fails: put
// it in its place first.
var mayImport = map[string][]string{
	"calendar":            {"calendar/scan", "calendar/civil", "calendar/recur", "calendar/zone"},
	"calendar/scan":       {},
	"calendar/announce":   {},
	"calendar/civil":      {},
	"calendar/recur":      {"calendar/civil", "calendar/zone"},
	"calendar/zone":       {"calendar/civil", "calendar/recur", "calendar/scan"},
	"calendar/feed":       {"calendar", "calendar/scan"},
	"actions":             {"calendar"},
	"actions/statement":   {"actions"},
	"actions/plan":        {"actions", "actions/statement", "calendar"},
	"actions/run":         {"actions", "actions/plan", "actions/link"},
	"actions/journal":     {"actions"},
	"actions/link":        {"actions"},
	"actions/link/*":      {"actions", "actions/link", "actions/link/*"},
	"actions/publish":     {"actions", "calendar"},
	"actions/draw":        {"actions"},
	"actions/meter":       {"actions"},
	"actions/settle":      {"actions", "actions/meter", "calendar"},
	"actions/tell":        {"actions"},
	"actions/house":       {"actions", "calendar"},
	"config":              {"actions", "actions/statement"},
	"cmd/spillway":        {"*"},
	"cmd/spillway/page":   {"*"},
	"cmd/spillway/page/*": {"*"},
	"actions/journal/*":   {"actions", "actions/journal"},
}

// pure rooms do no I/O and know no clock.
var pure = []string{"calendar", "calendar/announce", "calendar/scan", "calendar/civil", "calendar/recur", "calendar/zone", "actions", "actions/statement", "actions/plan", "actions/draw", "actions/settle"}

var notPure = []string{"net", "net/http", "os", "os/exec", "database/sql", "io/ioutil", "math/rand", "math/rand/v2", "crypto/rand"}

// TestImportsPointOneWay keeps the directions of DEVELOPERS.md for every file that is no test.
func TestImportsPointOneWay(t *testing.T) {
	root := filepath.Join("..", "..")
	seen := 0
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && (strings.HasPrefix(d.Name(), ".") && path != root || d.Name() == "testdata") {
			if path == root {
				return nil
			}
			return filepath.SkipDir
		}
		if !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") {
			return nil
		}
		rel, err := filepath.Rel(root, filepath.Dir(path))
		if err != nil {
			return err
		}
		seen++
		checkFile(t, path, filepath.ToSlash(rel))
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if seen < 20 {
		t.Fatalf("only %d files were looked at: the walk is wrong", seen)
	}
}

func checkFile(t *testing.T, path, room string) {
	t.Helper()
	src, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	file, err := parser.ParseFile(token.NewFileSet(), path, src, 0)
	if err != nil {
		t.Logf("%s does not parse: %v", path, err)
		return
	}
	allowed, known := rules(room)
	if !known {
		t.Errorf("%s is in a room that mayImport does not list: %s", path, room)
		return
	}
	for _, imp := range file.Imports {
		name := strings.Trim(imp.Path.Value, `"`)
		if ours, ok := strings.CutPrefix(name, module+"/"); ok && !permitted(allowed, ours) {
			t.Errorf("%s imports %s, which %s may not", path, ours, room)
		}
		if slices.Contains(pure, room) && slices.Contains(notPure, name) {
			t.Errorf("%s imports %s, and %s is pure", path, name, room)
		}
	}
	if slices.Contains(pure, room) {
		ast.Inspect(file, func(n ast.Node) bool {
			sel, ok := n.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			if pkg, ok := sel.X.(*ast.Ident); ok && pkg.Name == "time" && slices.Contains([]string{"Now", "Since", "Until", "Local"}, sel.Sel.Name) {
				t.Errorf("%s names time.%s, and %s knows no clock", path, sel.Sel.Name, room)
			}
			return true
		})
	}
}

// rules returns what a room may import; a room below a listed one with /* shares its rule.
func rules(room string) ([]string, bool) {
	if r, ok := mayImport[room]; ok {
		return r, true
	}
	for parent := room; ; {
		i := strings.LastIndex(parent, "/")
		if i < 0 {
			return nil, false
		}
		parent = parent[:i]
		if r, ok := mayImport[parent+"/*"]; ok {
			return r, true
		}
	}
}

func permitted(allowed []string, ours string) bool {
	for _, a := range allowed {
		if a == "*" || a == ours || strings.HasSuffix(a, "/*") && strings.HasPrefix(ours, strings.TrimSuffix(a, "*")) {
			return true
		}
	}
	return false
}
