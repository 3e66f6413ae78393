package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"time"

	"spillway/actions/journal"
	"spillway/actions/run"
)

// The daemon listens on a socket in the state folder, which only its own user (and the group it is given to) can reach.
// `restore` asks it there, since two programs may not act on one state.
const socketName = "spillway.sock"

// restoreWait is how long a restore is watched before what is still owed is reported; the daemon goes on trying.
const restoreWait = 5 * time.Minute

// restored is what came of a restore.
type restored struct {
	Asked []string `json:"asked"` // points that were held
	Owed  []string `json:"owed"`  // those not confirmed back at their normal yet
}

// serveControl answers on the state's socket until ctx ends.
func serveControl(ctx context.Context, d *daemon) error {
	path := filepath.Join(d.cfg.State, socketName)
	// The journal's lock is ours, so a socket that is there was left by a run that was killed.
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("remove the old control socket: %w", err)
	}
	ln, err := net.Listen("unix", path)
	if err != nil {
		return fmt.Errorf("listen on the control socket: %w", err)
	}
	// It is left behind at the end, as it is by a program that is killed: removing it could hit that of the next daemon.
	ln.(*net.UnixListener).SetUnlinkOnClose(false)
	if err := os.Chmod(path, 0o660); err != nil {
		_ = ln.Close()
		return fmt.Errorf("protect the control socket: %w", err)
	}
	mux := http.NewServeMux()
	mux.HandleFunc("POST /restore", func(w http.ResponseWriter, q *http.Request) {
		if d.watch {
			http.Error(w, "it only watches and sends nothing: stop it, then run `spillway restore` again", http.StatusConflict)
			return
		}
		wait, cancel := context.WithTimeout(q.Context(), restoreWait)
		defer cancel()
		_ = json.NewEncoder(w).Encode(giveBack(wait, d.runner, q.FormValue("device")))
	})
	mux.HandleFunc("POST /readings", d.serveReadings)
	mux.HandleFunc("POST /paid", recordPaid(d.journal))
	mux.HandleFunc("POST /meter", takeMeter(d.journal))
	mux.HandleFunc("POST /standdown", d.serveStandDown)
	mux.HandleFunc("POST /secret", d.serveNewSecret)
	srv := &http.Server{Handler: mux, ReadHeaderTimeout: 10 * time.Second}
	go func() {
		<-ctx.Done()
		_ = srv.Close()
	}()
	go func() { _ = srv.Serve(ln) }()
	return nil
}

// giveBack asks the runner to put everything back, and waits until it has or ctx ends.
func giveBack(ctx context.Context, r *run.Runner, device string) restored {
	before, _ := r.Until(ctx, func(run.Snapshot) bool { return true })
	out := restored{Asked: owedOn(before, device), Owed: []string{}}
	if err := r.Ask(ctx, run.GiveBack{Device: device}); err != nil {
		out.Owed = out.Asked
		return out
	}
	after, _ := r.Until(ctx, func(s run.Snapshot) bool { return s.At.After(before.At) && len(owedOn(s, device)) == 0 })
	out.Owed = owedOn(after, device)
	return out
}

func owedOn(s run.Snapshot, device string) []string {
	points := []string{}
	for _, ref := range s.Owed() {
		if device == "" || ref.Device == device {
			points = append(points, ref.String())
		}
	}
	return points
}

// askDaemon asks a running daemon to restore. It reports false where none listens.
func askDaemon(ctx context.Context, state, device string) (restored, bool, error) {
	var out restored
	running, err := ask(ctx, state, "/restore?"+url.Values{"device": {device}}.Encode(), nil, &out)
	return out, running, err
}

// ask posts to a running daemon and reads its answer into out; both are JSON, and nil where there is none. It reports
// false where no daemon listens.
func ask(ctx context.Context, state, path string, body, out any) (running bool, err error) {
	raw, err := json.Marshal(body)
	if err != nil {
		return false, err
	}
	q, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://spillway"+path, bytes.NewReader(raw))
	if err != nil {
		return false, err
	}
	dial := func(ctx context.Context, _, _ string) (net.Conn, error) {
		return (&net.Dialer{}).DialContext(ctx, "unix", filepath.Join(state, socketName))
	}
	client := &http.Client{Transport: &http.Transport{DialContext: dial, DisableKeepAlives: true}}
	res, err := client.Do(q)
	if err != nil {
		return unanswered(state, err)
	}
	defer res.Body.Close()
	if res.StatusCode >= 300 {
		why, _ := io.ReadAll(io.LimitReader(res.Body, 1<<10))
		return true, fmt.Errorf("ask the running daemon: %s", oneLine(strings.TrimSpace(string(why))))
	}
	if out == nil {
		return true, nil
	}
	if err := json.NewDecoder(res.Body).Decode(out); err != nil {
		return true, fmt.Errorf("read the daemon's answer: %w", err)
	}
	return true, nil
}

// unanswered tells no daemon at all from one that may run and cannot be asked.
func unanswered(state string, err error) (running bool, _ error) {
	var op *net.OpError
	switch {
	case errors.Is(err, fs.ErrPermission):
		return true, fmt.Errorf("state folder %s: permission denied: run this as the user that Spillway runs as, or give the folder back to it", state)
	case errors.As(err, &op) && op.Op == "dial":
		return false, nil
	}
	return true, fmt.Errorf("ask the running daemon: %w", err)
}

const (
	// startsWithin is how long a daemon that has the state may take until it can be asked.
	startsWithin = 5 * time.Second
	// startsLook is how soon it is asked again.
	startsLook = 100 * time.Millisecond
)

// askOrDo asks a running daemon, or where none runs does it alone. A daemon that is starting has the state before it can be
// asked: it is waited for.
func askOrDo(ctx context.Context, ask func() (running bool, err error), alone func() error) error {
	for end := time.Now().Add(startsWithin); ; {
		if running, err := ask(); running || err != nil {
			return err
		}
		err := alone()
		var held *journal.HeldError
		if !errors.As(err, &held) || time.Now().After(end) {
			return err
		}
		select {
		case <-ctx.Done():
			return err
		case <-time.After(startsLook):
		}
	}
}
