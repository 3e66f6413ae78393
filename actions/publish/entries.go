package publish

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"time"

	"spillway/actions"
	"spillway/calendar"
)

// How fine a publication is.
const (
	Phases = "phases" // one entry for each phase of a window
	Steps  = "steps"  // one entry for each step
)

// CategoryProblem marks entries that say what is wrong. They go at once when it is put right.
const CategoryProblem = "problem"

// Options say how a plan is published.
type Options struct {
	Detail   string                  // Phases (also "") or Steps
	Zone     *time.Location          // of what people read; nil: that of the premises
	Now      time.Time               // ends what is wrong now, and begins what is held now
	Past     []actions.PlannedWindow // windows that the plan holds no more and the log still does
	Standing actions.Standing        // what is held now; zero: nothing
	Faults   []Fault                 // what is wrong now
	Credits  []Credit                // of windows that are over
	Remind   time.Duration           // an alarm this long before a window's first entry, and one on what is wrong; 0: none
	URL      string                  // of the page; "" for none
	// CreditsUnknown says that Credits are still being worked out: those that a [Feed] has published stay as they are.
	CreditsUnknown bool
}

// A Fault is something wrong that is no matter of one window: a feed that fails, a point that will not go back.
type Fault struct {
	Key   string // what it is about; one fault per key
	Title string // a few words
	Text  string // one line: what is wrong and what to do
	Since time.Time
}

// Entries returns the plan and what is known of its windows as calendar entries, by start, then UID. Log lines of windows
// that neither the plan nor opt.Past knows are published under the window's id. Stamp, LastModified and Sequence are left
// zero: see [Revise] and [Fixed].
func Entries(plan *actions.Plan, log []actions.StepStanding, premises *actions.Premises, opt Options) []calendar.Entry {
	b := builder{plan: plan, premises: premises, opt: opt, zone: cmp.Or(opt.Zone, premises.Zone, time.UTC)}
	for _, w := range gather(plan, log, opt.Past) {
		if opt.Detail == Steps {
			b.steps(w)
		} else {
			b.phases(w)
		}
		b.problems(w)
	}
	for _, f := range opt.Faults {
		b.fault(f)
	}
	for _, c := range opt.Credits {
		b.credit(c)
	}
	slices.SortFunc(b.entries, func(x, y calendar.Entry) int {
		return cmp.Or(x.Start.Compare(y.Start), cmp.Compare(x.UID, y.UID))
	})
	return b.entries
}

// Fixed gives every entry at as its stamp and leaves its sequence at 0: what a plan that is only shown carries.
func Fixed(entries []calendar.Entry, at time.Time) []calendar.Entry {
	out := slices.Clone(entries)
	for i := range out {
		out[i].Stamp, out[i].LastModified, out[i].Sequence = at, at, 0
	}
	return out
}

// A builder gathers entries.
type builder struct {
	plan     *actions.Plan
	premises *actions.Premises
	opt      Options
	zone     *time.Location
	entries  []calendar.Entry
}

func (b *builder) add(e calendar.Entry) {
	e.URL = b.opt.URL
	e.Transparent = true // nobody is busy because a battery charges
	b.entries = append(b.entries, e)
}

// problems adds what cannot be met in a window as one entry at the top of the day it starts on.
func (b *builder) problems(w window) {
	if len(w.Problems) == 0 || w.State == actions.Completed || w.State == actions.Cancelled {
		return
	}
	title := "Problem: "
	if n := len(w.Problems); n > 1 {
		title = number(n) + " problems: "
	}
	e := b.allDay(w.Start, w.Start)
	e.UID = actions.PlanUID(w.ID, "problems")
	e.Summary = title + name(w) + " " + clock(w.Start.In(b.zone))
	e.Description = bullets(w.Problems)
	if b.opt.Detail != Steps {
		e.Related = duringOf(w)
	}
	if b.opt.Remind > 0 {
		e.Alarms = []calendar.Alarm{{Before: b.midnight(w.Start).Sub(w.first()) + b.opt.Remind, Text: e.Summary}}
	}
	b.add(e)
}

// fault adds what is wrong at the top of each day from when it began to now.
func (b *builder) fault(f Fault) {
	sum := sha256.Sum256([]byte(f.Key))
	e := b.allDay(f.Since, b.opt.Now)
	e.UID = actions.PlanUID(hex.EncodeToString(sum[:8]), "fault")
	e.Summary = "Problem: " + f.Title
	e.Description = f.Text + "\nSince " + dayAndClock(f.Since.In(b.zone)) + "."
	if b.opt.Remind > 0 {
		// Readers ring for what is ahead when they fetch it, and fetch when they like: the next quarter of an hour that
		// leaves them one.
		rings := f.Since.Add(fetched).Truncate(quarter).Add(quarter)
		e.Alarms = []calendar.Alarm{{Before: b.midnight(f.Since).Sub(rings), Text: e.Summary}}
	}
	b.add(e)
}

const (
	// fetched is how soon a reader has fetched the calendar; it is asked to refresh as often.
	fetched = 15 * time.Minute
	quarter = 15 * time.Minute
)

// allDay returns an entry over the local days of from to to, both included.
func (b *builder) allDay(from, to time.Time) calendar.Entry {
	start, end := b.midnightUTC(from), b.midnightUTC(to).AddDate(0, 0, 1)
	if end.Before(start) {
		end = start.AddDate(0, 0, 1)
	}
	return calendar.Entry{AllDay: true, Start: start, End: end, Categories: []string{CategoryProblem}, Color: "crimson"}
}

// midnightUTC returns the local date of t as midnight UTC, the form of an all-day entry.
func (b *builder) midnightUTC(t time.Time) time.Time {
	y, m, d := t.In(b.zone).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// midnight returns the instant at which the local day of t begins.
func (b *builder) midnight(t time.Time) time.Time {
	y, m, d := t.In(b.zone).Date()
	return time.Date(y, m, d, 0, 0, 0, 0, b.zone)
}
