package publish

import (
	"slices"
	"strings"
	"time"

	"spillway/actions"
	"spillway/calendar"
)

// phases adds one entry for each phase of w that has something to it. The during is the window itself and always there,
// unless the window was called off before anything was done.
func (b *builder) phases(w window) {
	called := w.State == actions.Cancelled
	lead, during, restore := w.phase(actions.PhaseLeadIn), w.phase(actions.PhaseDuring), w.phase(actions.PhaseRestore)
	if called {
		lead, during = begun(lead), begun(during)
	}
	hasDuring := !called || len(during) > 0
	var parent []calendar.Related
	if hasDuring {
		parent = duringOf(w)
	}
	remind := b.reminder(w)
	if len(lead) > 0 {
		e := b.phase(w, actions.PhaseLeadIn, lead, also(parent, "NEXT"))
		e.Start = floor(earliest(lead, w.LeadIn))
		e.End = ceil(actions.Later(w.Start, lead[len(lead)-1].Step.At), e.Start)
		e.Alarms, remind = remind, nil
		b.add(e)
	}
	if hasDuring {
		e := b.phase(w, actions.PhaseDuring, during, nil)
		e.Start, e.End = w.Start, w.End
		if !e.End.After(e.Start) {
			e.End = ceil(e.Start, e.Start)
		}
		e.Alarms = remind
		b.add(e)
	}
	if len(restore) > 0 {
		e := b.phase(w, actions.PhaseRestore, restore, also(parent, "DEPENDS-ON"))
		e.Start = floor(earliest(restore, w.End))
		e.End = ceil(actions.Later(w.Done, restore[len(restore)-1].Step.At), e.Start)
		b.add(e)
	}
}

// duringOf links an entry to that of its window (RFC 5545 3.8.4.5).
func duringOf(w window) []calendar.Related {
	return []calendar.Related{{UID: actions.PlanUID(w.ID, string(actions.PhaseDuring)), Type: "PARENT"}}
}

// also says besides how an entry relates to its parent, by a type of RFC 9253 5: the window is NEXT after its lead-in, and
// its restore DEPENDS-ON it. A reader that does not know these takes them for PARENT (RFC 5545 3.2.15), which is true as
// well; so the window itself names no next one. The temporal types of RFC 9253 4 are left alone: programs differ in which
// of the two entries carries FINISHTOSTART.
func also(parent []calendar.Related, how string) []calendar.Related {
	list := slices.Clone(parent)
	for _, r := range parent {
		list = append(list, calendar.Related{UID: r.UID, Type: how})
	}
	return list
}

func (b *builder) phase(w window, p actions.Phase, lines []actions.StepStanding, related []calendar.Related) calendar.Entry {
	return calendar.Entry{
		UID:         actions.PlanUID(w.ID, string(p)),
		Summary:     b.title(w, p, lines),
		Description: b.describe(w, p, lines),
		Categories:  []string{string(p)},
		Color:       color(p),
		Related:     related,
	}
}

// color returns the CSS3 name (RFC 7986 5.9) of a phase's colour.
func color(p actions.Phase) string {
	switch p {
	case actions.PhaseLeadIn:
		return "goldenrod"
	case actions.PhaseRestore:
		return "slategray"
	}
	return "seagreen"
}

// steps adds one entry for each step of w, a minute long so that every reader shows it.
func (b *builder) steps(w window) {
	remind := b.reminder(w)
	var first []calendar.Related // the window's first step, of those that follow it (RFC 9253 5)
	for _, l := range w.lines {
		if w.State == actions.Cancelled && l.State == actions.Planned && l.Step.Phase != actions.PhaseRestore {
			continue
		}
		summary := b.premises.SayStep(l.Step)
		switch l.State {
		case actions.Failed:
			summary = "Failed: " + summary
		case actions.Skipped:
			summary = "Skipped: " + summary
		}
		b.add(calendar.Entry{
			UID:         actions.PlanUID(l.Step.ID, "step"),
			Start:       l.Step.At,
			End:         l.Step.At.Add(time.Minute),
			Summary:     summary,
			Description: joinLines(b.line(l, w.Start), "For "+name(w)+", "+string(l.Step.Phase)+".", l.Step.Why),
			Categories:  []string{string(l.Step.Phase)},
			Color:       color(l.Step.Phase),
			Alarms:      remind,
			Related:     first,
		})
		remind = nil
		if first == nil {
			first = []calendar.Related{{UID: actions.PlanUID(l.Step.ID, "step"), Type: "FIRST"}}
		}
	}
}

func (b *builder) reminder(w window) []calendar.Alarm {
	if b.opt.Remind <= 0 || w.State == actions.Completed || w.State == actions.Cancelled {
		return nil
	}
	return []calendar.Alarm{{Before: b.opt.Remind, Text: name(w) + " at " + clock(w.Start.In(b.zone))}}
}

// begun leaves out what is only planned.
func begun(lines []actions.StepStanding) []actions.StepStanding {
	return slices.DeleteFunc(lines, func(l actions.StepStanding) bool { return l.State == actions.Planned })
}

// earliest returns the due time of the first line, or t where that is earlier and not zero.
func earliest(lines []actions.StepStanding, t time.Time) time.Time {
	if at := lines[0].Step.At; t.IsZero() || at.Before(t) {
		return at
	}
	return t
}

// floor and ceil round to whole minutes, outwards: a calendar has no use for seconds, and an entry should not move
// because a send is planned a second later. ceil gives at least a minute after start.
func floor(t time.Time) time.Time { return t.Truncate(time.Minute) }

func ceil(t, start time.Time) time.Time {
	up := t.Add(time.Minute - 1).Truncate(time.Minute)
	return actions.Later(up, start.Add(time.Minute))
}

func joinLines(lines ...string) string {
	return strings.Join(slices.DeleteFunc(lines, func(l string) bool { return l == "" }), "\n")
}
