package run

import (
	"fmt"
	"strings"
	"time"

	"spillway/actions"
)

// A story is what happened, for people. It is told only where somebody will read it.
type story struct {
	on    bool
	lines []string
}

func (s *story) add(t time.Time, skew time.Duration, line string) {
	at := t.Format("02 15:04:05.000 ")
	if skew != 0 {
		at += "(wall " + t.Add(skew).Format("15:04:05") + ") "
	}
	s.lines = append(s.lines, at+line)
}

// tell returns the whole story of a world.
func (w *world) tell() string {
	var b strings.Builder
	fmt.Fprintf(&b, "seed %d; again with: SPILLWAY_SEED=%d SPILLWAY_SEEDS=1 go test ./actions/run -run 'TestSimulation$'\n", w.seed, w.seed)
	for _, l := range w.premises.Links {
		fmt.Fprintf(&b, "link %s: spacing %s, timeout %s, confirm %s, %d tries\n", l.Name, l.Spacing, l.Timeout, l.Confirm, l.Tries)
	}
	for _, q := range w.premises.Procedures {
		fmt.Fprintf(&b, "procedure %s, rank %d:", q.Name, q.Rank)
		for _, s := range q.LeadIn {
			fmt.Fprintf(&b, " lead-in %q", s.Text)
		}
		for _, s := range q.During {
			fmt.Fprintf(&b, " during %q", s.Text)
		}
		b.WriteByte('\n')
	}
	for _, x := range w.spec.windows {
		fmt.Fprintf(&b, "window %s %s %s to %s, procedure %s, priority %d, skips %v\n", x.UID, x.ID, x.Start.Format("02 15:04"), x.End.Format("15:04"),
			x.Procedure, x.Priority, x.SkipDevices)
	}
	for _, m := range w.mishaps {
		fmt.Fprintf(&b, "mishap %s %s\n", m.at.Format("02 15:04:05"), m.what)
	}
	for _, line := range w.story.lines {
		b.WriteString(line)
		b.WriteByte('\n')
	}
	return b.String()
}

func entryLine(e actions.Entry) string {
	switch e.Kind {
	case actions.EntryIntent:
		return fmt.Sprintf("intent %s: %s = %s (release %t, tries %d; %s)", e.Step.ID, e.Step.Point, e.Step.Value, e.Step.Release, e.Tries, e.Step.Why)
	case actions.EntrySent, actions.EntryUnsent:
		return fmt.Sprintf("%s %s %s", e.Kind, e.Step.ID, e.Note)
	case actions.EntrySettled:
		return fmt.Sprintf("%s %s: %s = %s reads %s %s", e.State, e.Step.ID, e.Step.Point, e.Step.Value, e.ReadBack, e.Note)
	case actions.EntryStandDown, actions.EntryWindowOver:
		return fmt.Sprintf("%s %s", e.Kind, e.Window)
	}
	return fmt.Sprintf("%s %s = %s %v %s", e.Kind, e.Point, e.Value, e.Holds, e.Note)
}
