package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"spillway/actions"
	"spillway/actions/journal"
	"spillway/config"
)

// followEvery is how soon --follow looks again.
const followEvery = time.Second

func (a *app) logCommand() *cobra.Command {
	var f rangeFlags
	var follow bool
	var device string
	c := &cobra.Command{
		Use:   "log",
		Short: "The switching log: what was sent, when, and what was read back",
		Long: `Log shows what was done, a line for each step: when it was sent, its phase, the point and its value, how it ended, and how
many tries that took. Confirmed means read back; assumed means that the point cannot be read back.`,
		Example: "  spillway log --from 2026-12-05T00:00:00Z\n  spillway log --follow",
		Args:    cobra.NoArgs,
		RunE:    func(c *cobra.Command, _ []string) error { return a.log(c.Context(), f, device, follow) },
	}
	c.Flags().StringVar(&f.from, "from", "", "only steps from `T` (RFC 3339) on")
	c.Flags().StringVar(&f.to, "to", "", "only steps before `T` (RFC 3339)")
	c.Flags().StringVar(&device, "device", "", "only steps of this `DEVICE`")
	c.Flags().BoolVar(&follow, "follow", false, "go on as steps are sent, until interrupted")
	return c
}

func (a *app) log(ctx context.Context, f rangeFlags, device string, follow bool) error {
	cfg, err := a.load()
	if err != nil {
		return err
	}
	if cfg.State == "" {
		return usagef(`%s: state is missing: the switching log is kept there`, cfg.File)
	}
	q := journal.Query{Device: device}
	if q.From, err = optionalTime("--from", f.from); err != nil {
		return err
	}
	if q.To, err = optionalTime("--to", f.to); err != nil {
		return err
	}
	if follow {
		return a.followLog(ctx, cfg, q)
	}
	lines, err := readLog(ctx, cfg, q)
	if err != nil {
		return err
	}
	if a.json {
		return logJSON(a.Out, lines)
	}
	logTable(a.Out, lines, cfg.Premises.Zone)
	return nil
}

func optionalTime(flag, s string) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.RFC3339, s)
	if err != nil {
		return t, usagef("%s %s: write RFC 3339, such as 2026-12-05T00:00:00Z", flag, s)
	}
	return t.UTC(), nil
}

func readLog(ctx context.Context, cfg *config.Config, q journal.Query) ([]actions.StepStanding, error) {
	j, err := journal.OpenReadOnly(cfg.State)
	if err != nil {
		return nil, err
	}
	defer j.Close()
	return j.Log(ctx, q)
}

// followLog prints each line when it is over, a step that is tried for long when it is sent too.
func (a *app) followLog(ctx context.Context, cfg *config.Config, q journal.Query) error {
	type seen struct {
		state actions.StepState
		tries int
	}
	shown := map[string]seen{}
	for {
		lines, err := readLog(ctx, cfg, q)
		if err != nil && ctx.Err() == nil {
			return err
		}
		for _, l := range lines {
			now := seen{l.State, l.Tries}
			if shown[l.Step.ID] == now || l.State == actions.Planned {
				continue
			}
			shown[l.Step.ID] = now
			if a.json {
				if err := json.NewEncoder(a.Out).Encode(logLine(l)); err != nil {
					return err
				}
				continue
			}
			logTable(a.Out, []actions.StepStanding{l}, cfg.Premises.Zone)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(followEvery):
		}
	}
}

type logLineJSON struct {
	ID       string            `json:"id"`
	Window   string            `json:"window"`
	Phase    actions.Phase     `json:"phase"`
	Due      time.Time         `json:"due"`
	Sent     *time.Time        `json:"sent"`
	Settled  *time.Time        `json:"settled"`
	Link     string            `json:"link"`
	Device   string            `json:"device"`
	Point    string            `json:"point"`
	Value    actions.Value     `json:"value"`
	ReadBack actions.Value     `json:"read_back"`
	State    actions.StepState `json:"state"`
	Tries    int               `json:"tries"`
	Note     string            `json:"note"`
}

func logLine(l actions.StepStanding) logLineJSON {
	instant := func(t time.Time) *time.Time {
		if t.IsZero() {
			return nil
		}
		t = t.UTC()
		return &t
	}
	return logLineJSON{ID: l.Step.ID, Window: l.Step.Window, Phase: l.Step.Phase, Due: l.Step.At.UTC(), Sent: instant(l.Sent),
		Settled: instant(l.Settled), Link: l.Step.Link, Device: l.Step.Point.Device, Point: l.Step.Point.Point, Value: l.Step.Value,
		ReadBack: l.ReadBack, State: l.State, Tries: l.Tries, Note: l.Note}
}

func logJSON(w io.Writer, lines []actions.StepStanding) error {
	out := struct {
		Steps []logLineJSON `json:"steps"`
	}{Steps: []logLineJSON{}}
	for _, l := range lines {
		out.Steps = append(out.Steps, logLine(l))
	}
	return printJSON(w, out)
}

func logTable(w io.Writer, lines []actions.StepStanding, zone *time.Location) {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, l := range lines {
		at := l.Sent
		if at.IsZero() {
			at = l.Settled
		}
		if at.IsZero() {
			at = l.Step.At
		}
		fmt.Fprintf(tw, "%s\t%s\t%s = %s\t%s\t%s\t%s\n", at.In(zone).Format("Mon 2 Jan 15:04:05"), l.Step.Phase, l.Step.Point, l.Step.Value,
			l.State, tries(l.Tries), oneLine(l.Note))
	}
	_ = tw.Flush()
}

func tries(n int) string {
	switch n {
	case 0:
		return "not sent"
	case 1:
		return "1 try"
	}
	return fmt.Sprintf("%d tries", n)
}
