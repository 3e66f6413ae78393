package main

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"spillway/actions"
	"spillway/actions/journal"
	"spillway/actions/link"
	"spillway/actions/run"
	"spillway/actions/statement"
	"spillway/config"
)

// tryFor bounds how long a tried value is held, whatever the link allows for its tries.
const tryFor = 10 * time.Minute

// tryProcedure names the procedure that a try is held by. Names in a configuration have no space.
const tryProcedure = "a try"

// A trial is one point to be tried: its value now, the value to try, and what is needed to do it.
type trial struct {
	cfg     *config.Config
	device  *actions.Device
	point   *actions.Point
	link    *actions.Link
	value   actions.Value
	before  actions.Value
	journal *journal.Journal
	links   map[string]link.Link
}

// try sets one point, reads it back and gives it back. The point is held by a window like any other, through the runner
// and the journal, so that the next start, or `spillway restore`, gives it back where this program is killed between.
func (a *app) try(ctx context.Context, what, spacing string, yes bool) error {
	cfg, err := a.load()
	if err != nil {
		return err
	}
	t, err := parseTry(cfg, what)
	if err != nil {
		return err
	}
	if spacing != "" && t.link.Name != spacing {
		return usagef("--find-spacing %s: %s is on the link %s", spacing, t.point.Ref, t.link.Name)
	}
	if err := t.open(); err != nil {
		return err
	}
	defer t.close()
	say := func(level, format string, args ...any) {
		fmt.Fprintf(a.talk(), "%-5s  %s: %s\n", level, t.point.Ref, oneLine(fmt.Sprintf(format, args...)))
	}
	if err := t.readBefore(ctx, say); err != nil {
		return err
	}
	question := fmt.Sprintf("Set %s to %s, which the device will do, and put it back?", t.point.Ref, t.said(t.value))
	if spacing != "" {
		question = fmt.Sprintf("Set %s to %s and back some twenty times, which the device will do?", t.point.Ref, t.said(t.value))
	}
	if err := a.confirm(ctx, newAsker(a.In, a.talk()), question, yes); err != nil {
		return err
	}
	if spacing != "" {
		return a.findSpacing(ctx, t)
	}
	lines, err := t.run(ctx, a)
	if a.json {
		err = errors.Join(logJSON(a.Out, lines), err)
	}
	for _, l := range lines {
		say(levelOf(l), "%s", t.outcome(l))
	}
	return err
}

// talk is where progress is said: not among JSON.
func (a *app) talk() interface{ Write([]byte) (int, error) } {
	if a.json {
		return a.Err
	}
	return a.Out
}

// parseTry reads device.point=value and refuses what must not or cannot be tried.
func parseTry(cfg *config.Config, what string) (*trial, error) {
	name, text, ok := strings.Cut(what, "=")
	ref, err := actions.ParseRef(strings.TrimSpace(name))
	if !ok || err != nil {
		return nil, usagef("--try %s: write device.point=value", what)
	}
	d, pt := cfg.Premises.Device(ref.Device), cfg.Premises.Point(ref)
	switch {
	case pt == nil:
		return nil, usagef("--try %s: the configuration has no point %s", what, ref)
	case pt.Write == nil:
		return nil, usagef("--try %s: %s has no write", what, ref)
	case pt.Protects:
		return nil, usagef("--try %s: %s protects something and is never written", what, ref)
	case !d.Enabled:
		return nil, usagef("--try %s: %s is not enabled: take out enabled = false", what, ref.Device)
	case cfg.State == "":
		return nil, usagef(`%s: state is missing: what must go back is written there: name a folder, such as state = "state"`, cfg.File)
	}
	text = strings.TrimSpace(text)
	v, err := statement.ParseValue(text, pt)
	if n, bare := strconv.ParseFloat(text, 64); bare == nil && len(pt.Values) == 0 {
		v, err = actions.Number(n), nil
	}
	if err != nil {
		return nil, usagef("--try %s: %w", what, err)
	}
	if v.IsNumber() && pt.HasRange && (v.Number < pt.Min || v.Number > pt.Max) {
		return nil, usagef("--try %s: outside its range of %g to %g %s", what, pt.Min, pt.Max, pt.Unit)
	}
	return &trial{cfg: cfg, device: d, point: pt, link: cfg.Premises.Link(d.Link), value: v}, nil
}

// open takes the journal, which a running daemon would have, and the links.
func (t *trial) open() (err error) {
	if t.journal, err = journal.Open(t.cfg.State, journal.Options{}); err != nil {
		return fmt.Errorf("a try is not made beside a running daemon: %w", err)
	}
	held := owedOn(run.Snapshot{Standing: t.journal.Standing()}, "")
	if len(held) > 0 {
		t.close()
		return fmt.Errorf("held already: %s: run `spillway restore` first", strings.Join(held, ", "))
	}
	if t.links, err = openLinks(&t.cfg.Premises); err != nil {
		t.close()
		return usageError{err}
	}
	return nil
}

func (t *trial) close() {
	closeLinks(t.links)
	_ = t.journal.Close()
}

func (t *trial) said(v actions.Value) string { return t.cfg.Premises.SayValue(t.point.Ref, v) }

// readBefore finds out what the point has, to which it must go back.
func (t *trial) readBefore(ctx context.Context, say func(level, format string, args ...any)) error {
	if t.point.Read == nil {
		// The configuration is refused where such a point has no normal.
		say("note", "cannot be read; it goes back to %s, its normal", t.said(t.point.Normal))
		return nil
	}
	began := time.Now()
	v, err := askPatiently(ctx, t.links[t.link.Name], t.point, t.link.Timeout)
	if err != nil {
		return fmt.Errorf("%s cannot be read, so nothing is tried: %w", t.point.Ref, err)
	}
	t.before = v
	say("ok", "reads %s, in %s", t.said(v), time.Since(began).Round(time.Millisecond))
	switch normal := t.point.Normal; {
	case v.Near(t.value, t.point.Tolerance):
		return usagef("%s is at %s already: try another value", t.point.Ref, t.said(v))
	case normal.Known && !v.Near(normal, t.point.Tolerance):
		say("note", "it goes back to %s, its normal, and not to what it has now", t.said(normal))
	}
	return nil
}

// run holds the point in a window of its own until the outcome is known, and gives it back. An interrupt gives it back
// too. The lines are what was sent, in order.
func (t *trial) run(ctx context.Context, a *app) ([]actions.StepStanding, error) {
	window := t.window(run.System{}.Now())
	premises := t.premises()
	r := run.NewRunner(run.Config{
		Settings: run.Settings{Premises: premises, Journal: t.journal, Horizon: time.Hour, Only: t.device.Name},
		Clock:    run.System{}, Links: t.links, Feeds: []run.Feed{tryFeed{window}}, Log: a.warnings(),
	})
	work, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	done := make(chan error, 1)
	go func() { done <- r.Run(work) }()

	wait, cancel := context.WithTimeout(ctx, window.End.Sub(window.Start))
	_, waited := r.Until(wait, func(s run.Snapshot) bool {
		for _, st := range s.Standing.Steps {
			if st.Step.Window == window.ID && !st.Step.Release && st.State.Over() {
				return true
			}
		}
		return false
	})
	cancel()
	back, cancel := context.WithTimeout(work, restoreWait)
	defer cancel()
	_ = r.Ask(back, run.GiveBack{Window: window.ID})
	after, _ := r.Until(back, func(s run.Snapshot) bool {
		_, down := s.Standing.Down[window.ID]
		return down && len(owedOn(s, "")) == 0
	})
	stop()
	err := <-done
	lines, lerr := t.journal.Log(context.WithoutCancel(ctx), journal.Query{Window: window.ID})
	return lines, errors.Join(err, lerr, t.verdict(lines, owedOn(after, ""), waited))
}

// verdict says in one line what went wrong, if anything did.
func (t *trial) verdict(lines []actions.StepStanding, owed []string, waited error) error {
	if len(owed) > 0 {
		return fmt.Errorf("%s is not confirmed back yet: look at the device, then run `spillway restore`", t.point.Ref)
	}
	for _, l := range lines {
		if l.State == actions.Failed || l.State == actions.Skipped {
			return fmt.Errorf("%s could not be set to %s: %s", t.point.Ref, t.said(t.value), oneLine(l.Note))
		}
	}
	if errors.Is(waited, context.Canceled) {
		return errors.New("interrupted: the point was given back")
	}
	if !slices.ContainsFunc(lines, func(l actions.StepStanding) bool { return !l.Step.Release && l.State.Over() }) {
		return fmt.Errorf("%s was not set: see what --verbose says", t.point.Ref)
	}
	return nil
}

func (t *trial) window(now time.Time) actions.Window {
	tries := time.Duration(t.link.Tries) * (t.link.Spacing + t.link.Timeout + t.link.Confirm)
	uid := "try-" + rand.Text() + "@spillway"
	return actions.Window{
		ID: actions.WindowID(uid, time.Time{}), UID: uid, Feed: tryProcedure, Procedure: tryProcedure, Title: "Try of " + t.point.Ref.String(),
		Start: now.Truncate(time.Second), End: now.Add(min(tryFor, 2*tries+time.Minute)),
	}
}

// premises is a copy with the one procedure that holds the point.
func (t *trial) premises() *actions.Premises {
	p := t.cfg.Premises
	p.Procedures = []actions.Procedure{{
		Name: tryProcedure, Longest: 24 * time.Hour,
		During: []actions.Statement{{Point: t.point.Ref, Want: actions.Want{Value: t.value}}},
	}}
	return &p
}

// outcome says what came of one command.
func (t *trial) outcome(l actions.StepStanding) string {
	what := "set to " + t.said(l.Step.Value)
	if l.Step.Release {
		what = "put back to " + t.said(l.Step.Value)
	}
	note := ""
	if l.Note != "" {
		note = "; " + l.Note
	}
	switch l.State {
	case actions.Confirmed:
		if l.Sent.IsZero() {
			return what + ": " + l.Note
		}
		return fmt.Sprintf("%s, read back %s after it was sent (%s)%s", what, l.Settled.Sub(l.Sent).Round(time.Millisecond), tries(l.Tries), note)
	case actions.Assumed:
		return fmt.Sprintf("%s, sent (%s), and cannot be read back%s", what, tries(l.Tries), note)
	}
	return fmt.Sprintf("%s: %s after %s%s", what, l.State, tries(l.Tries), note)
}

func levelOf(l actions.StepStanding) string {
	switch l.State {
	case actions.Confirmed:
		return "ok"
	case actions.Assumed:
		return "note"
	}
	return "fault"
}

// A tryFeed holds the one window of a try.
type tryFeed struct{ window actions.Window }

// Name returns a name that no configured feed has.
func (tryFeed) Name() string { return tryProcedure }

// Poll returns the window.
func (f tryFeed) Poll(context.Context) (run.Polled, time.Time) {
	return run.Polled{Feed: tryProcedure, Good: true, Windows: []actions.Window{f.window}, Events: 1}, f.window.End.Add(time.Hour)
}
