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
	for _, l := range merge(plan, log) {
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

// merge returns each step once, by due time, then id: as the log has it, or as the plan does where it is still ahead.
func merge(plan *actions.Plan, log []actions.StepStanding) []actions.StepStanding {
	byID := map[string]actions.StepStanding{}
	for _, l := range log {
		byID[l.Step.ID] = l // the later line of one id is the later run
	}
	for _, s := range plan.Steps {
		l, logged := byID[s.ID]
		switch {
		case !logged || l.State.Over() && l.Settled.Before(plan.At):
			byID[s.ID] = actions.StepStanding{Step: s, State: actions.Planned} // to be done, or done again
		case !l.State.Over():
			l.Step = s
			byID[s.ID] = l
		}
	}
	out := make([]actions.StepStanding, 0, len(byID))
	for _, l := range byID {
		out = append(out, l)
	}
	slices.SortFunc(out, func(a, b actions.StepStanding) int {
		return cmp.Or(a.Step.At.Compare(b.Step.At), cmp.Compare(a.Step.ID, b.Step.ID))
	})
	return out
}
