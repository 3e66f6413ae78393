package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"spillway/actions"
	"spillway/actions/journal"
	"spillway/actions/run"
	"spillway/config"
)

const (
	// downWithin is how long a stand-down may take to be written.
	downWithin = 30 * time.Second
	// downRemembered is how long a window stays stood down after its end where no runner was there to say it.
	downRemembered = 30 * 24 * time.Hour
)

// A stoodDown is one window that was stood down.
type stoodDown struct {
	ID    string    `json:"id"`
	Title string    `json:"title"`
	Start time.Time `json:"start"`
	End   time.Time `json:"end"`
}

// downRequest asks to stand down one window, or every one that begins before a time; a zero time lifts that. With Undo it asks
// to take up again one window, or with no Window every one.
type downRequest struct {
	Window string     `json:"window,omitempty"`
	Until  *time.Time `json:"until,omitempty"`
	Undo   bool       `json:"undo,omitempty"`
}

// readable reports whether the request asks for one thing.
func (q downRequest) readable() bool {
	if q.Undo {
		return q.Until == nil
	}
	return (q.Window == "") != (q.Until == nil)
}

// downAnswer is what came of it: the windows that were stood down, or taken up again.
type downAnswer struct {
	Windows []stoodDown `json:"windows"`
	Until   *time.Time  `json:"until"`
}

func (a *app) standDownCommand() *cobra.Command {
	var until, undo string
	c := &cobra.Command{
		Use:   "standdown WINDOW | --until T | --undo WINDOW",
		Short: "Call a window off, or all of them until a time",
		Long: `Standdown calls a window off, before or while it is on. What it holds goes back, and it is not taken up again, whatever its
event says from then on. WINDOW is its title, or its id where several have that title; a wrong one lists those there are.

With --until it calls off every window that begins before T, also those that are announced only later. T is RFC 3339, a date and
a time, or a time of day. "--until now" ends that: windows announced from then on are taken up.

With --undo a window that was stood down, here, by the page or by "spillway restore", is taken up again; if it is on, it is joined
for what is left of it. "--undo all" does so with every window and ends what --until began. In the calendar, an event that is
deleted and written anew is another window, and taken up.

Without either command, an event of your own does the same:

  - A procedure of a high rank whose statements hold points at "normal" masks every window below it for as long as its event
    lasts. Nothing is stood down, and what lies below goes on when the event ends:

      [procedures.away]
      match  = { title = "we are away" }
      rank   = 100
      during = ["barn_battery.mode = normal", "cylinder.boost = normal"]

  - A line "skip WINDOW" in the description of a window's own event calls it off, and "skip DEVICE" leaves one device out of it.`,
		Example: "  spillway standdown \"free power\"\n  spillway standdown 5gib3dyt2y\n  spillway standdown --until \"2026-12-06 18:00\"\n  spillway standdown --until now\n  spillway standdown --undo 5gib3dyt2y",
		Args: func(_ *cobra.Command, args []string) error {
			given := len(args)
			for _, s := range []string{until, undo} {
				if s != "" {
					given++
				}
			}
			if given != 1 {
				return errors.New("give one WINDOW, --until T or --undo WINDOW")
			}
			return nil
		},
		RunE: func(c *cobra.Command, args []string) error {
			request := downRequest{Window: strings.Join(args, "")}
			if undo != "" {
				request = downRequest{Window: undo, Undo: true}
				if undo == allWindows {
					request.Window = ""
				}
			}
			return a.standDown(c.Context(), request, until, time.Now().UTC())
		},
	}
	c.Flags().StringVar(&until, "until", "", "call off every window that begins before `T`")
	c.Flags().StringVar(&undo, "undo", "", "take `WINDOW`, or all, up again")
	return c
}

// allWindows is what --undo takes for every window.
const allWindows = "all"

func (a *app) standDown(ctx context.Context, request downRequest, until string, now time.Time) error {
	cfg, err := a.load()
	if err != nil {
		return err
	}
	if cfg.State == "" {
		return usagef(`%s: state is missing: what is stood down is written there`, cfg.File)
	}
	if until != "" {
		t, err := downUntil(until, now, cfg.Premises.Zone)
		if err != nil {
			return err
		}
		request.Until = &t
	}
	var out downAnswer
	err = askOrDo(ctx, func() (bool, error) {
		return ask(ctx, cfg.State, "/standdown", request, &out)
	}, func() (err error) {
		out, err = standDownAlone(ctx, cfg, request, now)
		return err
	})
	if err != nil {
		return err
	}
	return a.sayStoodDown(request, out, cfg.Premises.Zone)
}

// downUntil reads the flag. "now" is the zero time.
func downUntil(s string, now time.Time, zone *time.Location) (time.Time, error) {
	if s == "now" {
		return time.Time{}, nil
	}
	t, err := readTime(s, now, zone)
	if err != nil {
		return t, usagef("--until: %w", err)
	}
	if !t.After(now) {
		return t, usagef("--until %s is over: write a time that is ahead, or now to end it", s)
	}
	return t, nil
}

func (a *app) sayStoodDown(q downRequest, out downAnswer, zone *time.Location) error {
	if a.json {
		if out.Until != nil && out.Until.IsZero() {
			out.Until = nil
		}
		return printJSON(a.Out, out)
	}
	did := "stood down"
	if q.Undo {
		did = "taken up again"
	}
	for _, w := range out.Windows {
		fmt.Fprintf(a.Out, "%s: %s to %s, %s\n", did, w.Start.In(zone).Format("Mon 2 Jan 15:04"), w.End.In(zone).Format("15:04"), oneLine(w.Title))
	}
	switch {
	case q.Undo && len(out.Windows) == 0:
		fmt.Fprintln(a.Out, "no window ahead is stood down")
	case q.Undo, out.Until == nil:
	case out.Until.IsZero():
		fmt.Fprintln(a.Out, "windows announced from now on are taken up; those stood down already stay so")
	default:
		fmt.Fprintf(a.Out, "every window that begins before %s is stood down, also those still to be announced\n", out.Until.In(zone).Format("Mon 2 Jan 15:04"))
	}
	return nil
}

// standDownAlone writes it down where no daemon runs: the next start finds it there.
func standDownAlone(ctx context.Context, cfg *config.Config, q downRequest, now time.Time) (downAnswer, error) {
	j, err := journal.Open(cfg.State, journal.Options{})
	if err != nil {
		return downAnswer{}, err
	}
	defer j.Close()
	out := downAnswer{Windows: []stoodDown{}, Until: q.Until}
	rule, err := newDownRule(ctx, j)
	switch {
	case err != nil:
		return out, err
	case q.Undo:
		return takeUpAlone(ctx, j, rule, q, now, cfg)
	case q.Until != nil:
		return out, rule.set(ctx, *q.Until)
	}
	kept, err := j.Windows(ctx, now, now.Add(cfg.Horizon))
	if err != nil {
		return out, err
	}
	var ahead []stoodDown
	for _, w := range kept {
		if w.End.After(now) {
			ahead = append(ahead, stoodDown{w.ID, w.Title, w.Start, w.End})
		}
	}
	w, err := windowNamed(q.Window, isAhead, ahead, cfg.Premises.Zone)
	if err != nil {
		return out, err
	}
	out.Windows = append(out.Windows, w)
	return out, j.Write(ctx, actions.Entry{Kind: actions.EntryStandDown, At: now, Window: w.ID, Until: w.End.Add(downRemembered)})
}

// What the windows have in common that a person can name.
const (
	isAhead     = "ahead"
	isStoodDown = "ahead that is stood down"
)

// serveStandDown answers POST /standdown on the control socket.
func (d *daemon) serveStandDown(w http.ResponseWriter, r *http.Request) {
	var q downRequest
	if err := json.NewDecoder(http.MaxBytesReader(w, r.Body, 1<<16)).Decode(&q); err != nil || !q.readable() {
		http.Error(w, "the request is not readable", http.StatusBadRequest)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), downWithin)
	defer cancel()
	do := d.standDown
	if q.Undo {
		do = d.takeUp
	}
	out, err := do(ctx, q)
	if err != nil {
		http.Error(w, err.Error(), http.StatusConflict)
		return
	}
	_ = json.NewEncoder(w).Encode(out) // whoever asked may have gone
}

// standDown stands down what is asked for, and returns once that is written.
func (d *daemon) standDown(ctx context.Context, q downRequest) (downAnswer, error) {
	out := downAnswer{Windows: []stoodDown{}, Until: q.Until}
	if q.Until != nil {
		if err := d.down.set(ctx, *q.Until); err != nil {
			return out, err
		}
	}
	s, err := d.runner.Until(ctx, func(run.Snapshot) bool { return true })
	if err != nil {
		return out, errSilentRunner
	}
	var ahead []stoodDown
	for i := range s.Plan.Windows {
		w := &s.Plan.Windows[i]
		if _, down := s.Standing.Down[w.ID]; down || !w.End.After(d.clock.Now()) || w.State == actions.Cancelled {
			continue
		}
		if q.Until == nil || w.Start.Before(*q.Until) {
			ahead = append(ahead, stoodDown{w.ID, w.Title, w.Start, w.End})
		}
	}
	if q.Window != "" {
		w, err := windowNamed(q.Window, isAhead, ahead, d.cfg.Premises.Zone)
		if err != nil {
			return out, err
		}
		ahead = []stoodDown{w}
	}
	for _, w := range ahead {
		if err := d.runner.Ask(ctx, run.StandDown{Window: w.ID}); err != nil {
			return out, errSilentRunner
		}
		out.Windows = append(out.Windows, w)
	}
	_, err = d.runner.Until(ctx, func(s run.Snapshot) bool {
		for _, w := range out.Windows {
			if _, down := s.Standing.Down[w.ID]; !down {
				return false
			}
		}
		return true
	})
	if err != nil {
		err = errors.New("it could not be written down yet: look at the log; it is tried until it is")
	}
	return out, err
}
