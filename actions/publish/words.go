package publish

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"spillway/actions"
)

// title returns a phase's title. What matters most stands first, for a phone shows about fifteen letters of it in a week:
// failures, then the phase, then the window, then what is done.
func (b *builder) title(w window, p actions.Phase, lines []actions.StepStanding) string {
	t := name(w)
	switch p {
	case actions.PhaseLeadIn:
		t = "Lead-in: " + t
	case actions.PhaseRestore:
		t = "Restore: " + t
	}
	done, failed, skipped, open := count(lines)
	switch {
	case failed > 0:
		t = number(failed) + " failed: " + t
	case w.State == actions.Cancelled && p == actions.PhaseDuring:
		return t + ", cancelled"
	}
	if open == 0 && len(lines) > 0 {
		t += fmt.Sprintf(", done %d of %d", done, len(lines))
		if skipped > 0 {
			t += ", " + number(skipped) + " skipped"
		}
		return t
	}
	if p == actions.PhaseLeadIn && len(lines) == 1 {
		return "Lead-in: " + b.premises.SayStep(lines[0].Step) // one act says more than the window's name, which the text has
	}
	if devices := devicesOf(lines); p != actions.PhaseRestore && devices != "" {
		t += " (" + devices + ")"
	}
	return t
}

// name returns what people call a window.
func name(w window) string {
	return cmp.Or(strings.Join(strings.Fields(w.Title), " "), actions.Heading(w.Procedure), "a window that is gone")
}

func number(n int) string { return strconv.Itoa(n) }

func count(lines []actions.StepStanding) (done, failed, skipped, open int) {
	for _, l := range lines {
		switch l.State {
		case actions.Confirmed, actions.Assumed:
			done++
		case actions.Failed:
			failed++
		case actions.Skipped:
			skipped++
		default:
			open++
		}
	}
	return done, failed, skipped, open
}

// devicesOf names the devices of the lines in their order, three at most.
func devicesOf(lines []actions.StepStanding) string {
	var names []string
	for _, l := range lines {
		if n := actions.Plain(l.Step.Point.Device); !slices.Contains(names, n) {
			names = append(names, n)
		}
	}
	if more := len(names) - 2; more > 1 {
		names = append(names[:2], number(more)+" more")
	}
	return strings.Join(names, ", ")
}

// describe returns a phase's text: what is held, when, what with, and each step with its outcome.
func (b *builder) describe(w window, p actions.Phase, lines []actions.StepStanding) string {
	var text []string
	if p == actions.PhaseDuring {
		text = append(text, b.span(w), b.held(w), b.sums(w))
	} else {
		text = append(text, "For "+name(w)+", "+b.span(w))
	}
	if len(lines) == 0 && p == actions.PhaseDuring && w.State != actions.Cancelled {
		nothing := "Nothing is changed inside this window."
		if len(w.phase(actions.PhaseLeadIn)) > 0 {
			nothing = "What its lead-in sets stays until the end."
		}
		text = append(text, nothing)
	}
	for _, l := range lines {
		text = append(text, b.line(l, w.Start))
	}
	if p == actions.PhaseDuring && len(w.Problems) > 0 {
		text = append(text, "Problems:", bullets(w.Problems))
	}
	return joinLines(text...)
}

func (b *builder) span(w window) string {
	start, end := w.Start.In(b.zone), w.End.In(b.zone)
	if sameDay(start, end) {
		return dayAndClock(start) + " to " + clock(end)
	}
	return dayAndClock(start) + " to " + dayAndClock(end)
}

// line returns one step: when, what, and how it went.
func (b *builder) line(l actions.StepStanding, day time.Time) string {
	at := l.Step.At.In(b.zone)
	when := clock(at)
	if !sameDay(at, day.In(b.zone)) {
		when = at.Format("Mon ") + when
	}
	return when + " " + b.premises.SayStep(l.Step) + b.outcome(l)
}

func (b *builder) outcome(l actions.StepStanding) string {
	note := ""
	if l.Note != "" {
		note = ": " + strings.Join(strings.Fields(l.Note), " ")
	}
	tries := ""
	if l.Tries > 1 {
		tries = " after " + number(l.Tries) + " tries"
	}
	settled := clock(l.Settled.In(b.zone))
	switch l.State {
	case actions.Sent:
		return ", sent " + clock(l.Sent.In(b.zone)) + ", not read back yet"
	case actions.Confirmed:
		return ", confirmed " + settled + tries
	case actions.Assumed:
		return ", sent " + clock(l.Sent.In(b.zone)) + tries + ", cannot be read back"
	case actions.Skipped:
		return ", skipped" + note
	case actions.Failed:
		return ", failed " + settled + tries + note
	}
	return ""
}

// held says what the window holds now and until when.
func (b *builder) held(w window) string {
	var lines []string
	for ref, p := range b.opt.Standing.Points {
		if by, _ := b.plan.Holder(ref, p, b.premises, b.opt.Now); !p.Owed || by != w.ID {
			continue
		}
		until := w.End
		if s, ok := b.plan.LetsGo(ref, w.ID, b.opt.Standing); ok {
			until = s.At
		}
		what := actions.Heading(ref.Device) + " " + b.premises.Say(ref, p.Value)
		if until.After(b.opt.Now) {
			lines = append(lines, "Held now, until "+clock(until.In(b.zone))+": "+what)
		} else {
			lines = append(lines, "Held still, to be given back since "+clock(until.In(b.zone))+": "+what)
		}
	}
	slices.Sort(lines)
	return joinLines(lines...)
}

// sums says what the devices take and how near the supply comes to its limit, coarsely: figures that move with every
// reading would make every reader fetch the feed again.
func (b *builder) sums(w window) string {
	var parts []string
	for _, e := range w.Energy {
		if kwh := tenth(e.KWh); kwh != 0 {
			parts = append(parts, actions.Plain(e.Device)+" "+actions.FormatQuantity(kwh, "kWh"))
		}
	}
	text := ""
	if len(parts) > 0 {
		text = "Energy: " + strings.Join(parts, ", ") + "."
	}
	if peak := tenth(w.PeakKW); peak != 0 {
		peaks := "Peak " + actions.FormatQuantity(peak, "kW")
		if w.LimitKW > 0 {
			peaks += " of " + actions.FormatQuantity(tenth(w.LimitKW), "kW")
		}
		text = joinLines(text, peaks+".")
	}
	return text
}

func tenth(x float64) float64 { return math.Round(x*10) / 10 }

func bullets(lines []string) string {
	var s []string
	for _, l := range lines {
		s = append(s, "- "+strings.Join(strings.Fields(l), " "))
	}
	return strings.Join(s, "\n")
}

// clock returns the time of day, with seconds where there are any.
func clock(t time.Time) string {
	if t.Second() == 0 {
		return t.Format("15:04")
	}
	return t.Format("15:04:05")
}

func dayAndClock(t time.Time) string { return t.Format("Mon 2 Jan ") + clock(t) }

func sameDay(a, b time.Time) bool {
	y1, m1, d1 := a.Date()
	y2, m2, d2 := b.Date()
	return y1 == y2 && m1 == m2 && d1 == d2
}
