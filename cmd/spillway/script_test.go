package main

import (
	"context"
	"errors"
	"flag"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strconv"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

func TestMain(m *testing.M) {
	// Those that run beside one another wait nearly all the time. -parallel on the command line counts over this.
	if runtime.GOMAXPROCS(0) < 4 {
		if err := flag.Set("test.parallel", "4"); err != nil {
			panic(err)
		}
	}
	testscript.Main(m, map[string]func(){
		"spillway": func() {
			os.Exit(execute(context.Background(), os.Args[1:], streams{In: os.Stdin, Out: os.Stdout, Err: os.Stderr}))
		},
	})
}

// TestScripts runs the command line as people and outside checks call it.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: filepath.Join("testdata", "script"),
		Setup: func(e *testscript.Env) error {
			srv := httptest.NewServer(badFeeds())
			e.Defer(srv.Close)
			e.Setenv("FEEDS", srv.URL)
			e.Setenv("HOME", e.WorkDir)
			e.Setenv("XDG_CONFIG_HOME", filepath.Join(e.WorkDir, "none"))
			return nil
		},
		Cmds: map[string]func(ts *testscript.TestScript, neg bool, args []string){
			"exits": exits,
			"meter": meterFile,
		},
	})
}

// exits runs a command and checks its exit status: exits 2 spillway plan.
func exits(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) < 2 {
		ts.Fatalf("usage: exits STATUS COMMAND [ARG ...]")
	}
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	err = ts.Exec(args[1], args[2:]...)
	got := 0
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		got = exit.ExitCode()
	} else if err != nil {
		ts.Fatalf("run: %v", err)
	}
	if got != want {
		ts.Fatalf("%v exited %d, not %d", args[1:], got, want)
	}
}

// badFeeds answers in the ways feeds fail.
func badFeeds() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("/500.ics", func(w http.ResponseWriter, _ *http.Request) {
		http.Error(w, "out of order", http.StatusInternalServerError)
	})
	mux.HandleFunc("/html.ics", func(w http.ResponseWriter, _ *http.Request) {
		_, _ = w.Write([]byte("<!DOCTYPE html><html><body>Please sign in</body></html>"))
	})
	mux.HandleFunc("/nothing.ics", func(http.ResponseWriter, *http.Request) {})
	mux.HandleFunc("/cut.ics", func(w http.ResponseWriter, _ *http.Request) {
		_, _ = w.Write([]byte("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nBEGIN:VEVENT\r\nUID:a\r\n"))
	})
	return mux
}
