package publish

import (
	"cmp"
	"slices"
	"time"

	"spillway/actions"
)

// earlierRun is how long before a window's start a log line must be to belong to an earlier run of a window that was
// moved ahead after it was over. Lead-ins are hours, not days.
const earlierRun = 48 * time.Hour

// A window is a planned window with all that was and will be done for it.
type window struct {
	actions.PlannedWindow
	lines []actions.StepStanding // by due time, then id
}

// phase returns the lines of one phase. What is given back inside a window belongs to its during: people look for it
// there.
func (w *window) phase(p actions.Phase) []actions.StepStanding {
	var out []actions.StepStanding
	for _, l := range w.lines {
		phase := l.Step.Phase
		if phase == actions.PhaseRestore && l.Step.At.Before(w.End) {
			phase = actions.PhaseDuring
		}
		if phase == p {
			out = append(out, l)
		}
	}
	return out
}

// first returns when the window's first step is due, or its start.
func (w *window) first() time.Time {
	if len(w.lines) > 0 && w.lines[0].Step.At.Before(w.Start) {
		return w.lines[0].Step.At
	}
	return w.Start
}

// gather returns the windows by start, then id.
func gather(plan *actions.Plan, log []actions.StepStanding, past []actions.PlannedWindow) []window {
	byID := map[string]*window{}
	for _, list := range [][]actions.PlannedWindow{past, plan.Windows} {
		for _, w := range list {
			byID[w.ID] = &window{PlannedWindow: w}
		}
	}
	for _, l := range plan.Lines(log) {
		w := byID[l.Step.Window]
		if w == nil {
			w = &window{PlannedWindow: gone(l.Step)}
			byID[l.Step.Window] = w
		}
		if l.Step.At.Before(w.Start.Add(-earlierRun)) {
			continue
		}
		w.lines = append(w.lines, l)
	}
	out := make([]window, 0, len(byID))
	for _, w := range byID {
		out = append(out, *w)
	}
	slices.SortFunc(out, func(a, b window) int { return cmp.Or(a.Start.Compare(b.Start), cmp.Compare(a.ID, b.ID)) })
	return out
}

// gone stands for a window of which only the log knows, at the time of its first line.
func gone(s actions.Step) actions.PlannedWindow {
	return actions.PlannedWindow{
		Window: actions.Window{ID: s.Window, Start: s.At, End: s.At},
		State:  actions.Cancelled, LeadIn: s.At, Done: s.At,
	}
}
