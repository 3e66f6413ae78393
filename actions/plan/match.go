package plan

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"spillway/actions"
	"spillway/actions/statement"
	"spillway/calendar"
)

// FeedRules say what the events of a feed may do.
type FeedRules struct {
	Name       string
	Procedures []string // which ones they may call; empty: all
	Statements bool     // whether statements in a DESCRIPTION count
	Organizers []string // addresses, lower case; empty: any, and none
	Tentative  bool     // whether tentative events count
	MaxPerDay  int      // windows that begin on one local day; 0: any number
}

// A Feed is a feed's occurrences with its rules.
type Feed struct {
	FeedRules
	Occurrences []calendar.Occurrence
}

// A Verdict is what becomes of one occurrence.
type Verdict struct {
	Feed       string
	Occurrence calendar.Occurrence
	Procedure  string          // the one that takes it; "" where none does
	Window     *actions.Window // nil: it is no window
	Why        string          // why it is one, or why not, in a line
}

// Verdicts maps the occurrences of all feeds to windows, by start, then uid, recurrence-id and feed. An occurrence that
// two feeds hold (same uid and recurrence-id) is one window, of the first feed by name that lets it be one. So that
// MaxPerDay counts whole days, the occurrences should begin with those of a local midnight.
func Verdicts(feeds []Feed, p *actions.Premises) []Verdict {
	var out []Verdict
	for _, f := range feeds {
		for _, o := range f.Occurrences {
			out = append(out, Match(o, f.FeedRules, p))
		}
	}
	slices.SortStableFunc(out, compareVerdicts)
	most := map[string]int{}
	for _, f := range feeds {
		most[f.Name] = f.MaxPerDay
	}
	taken := map[string]string{} // window id to feed
	perDay := map[string]int{}   // by feed and local day
	for i := range out {
		v := &out[i]
		if v.Window == nil {
			continue
		}
		if feed, ok := taken[v.Window.ID]; ok {
			v.refuse("feed " + feed + " holds it too, and has it")
			continue
		}
		day := v.Feed + " " + v.Window.Start.In(zone(p)).Format(time.DateOnly)
		if most[v.Feed] > 0 && perDay[day] >= most[v.Feed] {
			v.refuse("feed " + v.Feed + " has its " + count(most[v.Feed], "window") + " of that day already (max_per_day)")
			continue
		}
		perDay[day]++
		taken[v.Window.ID] = v.Feed
	}
	return out
}

// Windows returns the windows among the verdicts.
func Windows(verdicts []Verdict) []actions.Window {
	var out []actions.Window
	for _, v := range verdicts {
		if v.Window != nil {
			out = append(out, *v.Window)
		}
	}
	return out
}

func compareVerdicts(a, b Verdict) int {
	return cmp.Or(a.Occurrence.Start.Compare(b.Occurrence.Start), strings.Compare(a.Occurrence.UID, b.Occurrence.UID),
		a.Occurrence.RecurrenceID.Compare(b.Occurrence.RecurrenceID), strings.Compare(a.Feed, b.Feed))
}

func zone(p *actions.Premises) *time.Location {
	if p.Zone == nil {
		return time.UTC
	}
	return p.Zone
}

func (v *Verdict) refuse(why string) {
	v.Window, v.Procedure, v.Why = nil, "", why
}

// Match says what becomes of one occurrence, all but the rules that look at others: [Verdicts] has those.
func Match(o calendar.Occurrence, feed FeedRules, p *actions.Premises) Verdict {
	v := Verdict{Feed: feed.Name, Occurrence: o}
	matching := matches(o, feed, p)
	callable := slices.DeleteFunc(slices.Clone(matching), func(q *actions.Procedure) bool { return !feed.mayCall(q.Name) })
	switch {
	case len(matching) == 0:
		v.Why = "no procedure matches"
		if o.Status == "cancelled" {
			v.Why = "cancelled"
		}
		return v
	case len(callable) == 0:
		v.Why = feed.called() + " may not call " + matching[0].Name
		return v
	}
	q := callable[0]
	d := statement.ParseDescription(o.Description)
	if v.Why = refusal(o, feed, q, d); v.Why != "" {
		return v
	}
	v.Procedure, v.Why = q.Name, reason(o, q)
	v.Window = &actions.Window{
		ID: actions.WindowID(o.UID, o.RecurrenceID), UID: o.UID, RecurrenceID: o.RecurrenceID, Feed: feed.Name, Procedure: q.Name,
		Title: o.Summary, Start: o.Start.UTC(), End: o.End.UTC(), Priority: o.Priority, Notes: slices.Clone(o.Notes),
	}
	for _, other := range callable[1:] {
		v.Window.Notes = append(v.Window.Notes, "procedure "+other.Name+" matches too; "+q.Name+" takes it")
	}
	describe(v.Window, d, feed, p)
	return v
}

// matches returns the procedures that take the occurrence: the higher rank first, then by name.
func matches(o calendar.Occurrence, feed FeedRules, p *actions.Premises) []*actions.Procedure {
	var out []*actions.Procedure
	for i := range p.Procedures {
		if q := &p.Procedures[i]; takes(&q.Match, o, feed.Name) {
			out = append(out, q)
		}
	}
	slices.SortStableFunc(out, func(a, b *actions.Procedure) int {
		return cmp.Or(cmp.Compare(b.Rank, a.Rank), strings.Compare(a.Name, b.Name))
	})
	return out
}

// takes reports whether m matches: the title or the category, on the feed it names. With neither, everything on the feed.
func takes(m *actions.Match, o calendar.Occurrence, feed string) bool {
	// A calendar named for one look, in place of the feeds, has no name and stands for any of them.
	if m.Feed != "" && feed != "" && m.Feed != feed {
		return false
	}
	if m.Pattern == nil && m.Category == "" {
		return m.Feed != ""
	}
	if m.Pattern != nil && m.Pattern.MatchString(o.Summary) {
		return true
	}
	return m.Category != "" && slices.ContainsFunc(o.Categories, func(c string) bool { return strings.EqualFold(strings.TrimSpace(c), m.Category) })
}

// called names the feed in a sentence; a calendar named for one look has no name.
func (f FeedRules) called() string {
	if f.Name == "" {
		return "the calendar"
	}
	return "feed " + f.Name
}

func (f FeedRules) mayCall(procedure string) bool {
	return len(f.Procedures) == 0 || slices.Contains(f.Procedures, procedure)
}

// refusal returns why the occurrence is no window, "" where it is one.
func refusal(o calendar.Occurrence, feed FeedRules, q *actions.Procedure, d statement.Description) string {
	length := o.End.Sub(o.Start)
	switch {
	case o.Status == "cancelled":
		return "cancelled"
	case o.Refused != "":
		return o.Refused
	case actions.IsPlanUID(o.UID):
		return "it is an entry of a published plan, not an announcement"
	case length <= 0:
		return "it has no length"
	case q.Longest > 0 && length > q.Longest:
		return "it lasts " + statement.FormatDuration(length) + ", and " + q.Name + " takes " + statement.FormatDuration(q.Longest) + " at the longest"
	case o.Status == "tentative" && !feed.Tentative:
		return "tentative, and " + feed.called() + " takes none (tentative = true does)"
	case o.Unanswered && !feed.Tentative:
		return "an invitation that nobody has accepted, and " + feed.called() + " takes none (tentative = true does)"
	case len(feed.Organizers) > 0 && o.Organizer == "":
		return "it names no organizer, and " + feed.called() + " takes events of its organizers only"
	case len(feed.Organizers) > 0 && !slices.Contains(feed.Organizers, strings.ToLower(o.Organizer)):
		return o.Organizer + " is none of the organizers of " + feed.called()
	case d.SkipWindow:
		return "its description says skip WINDOW"
	}
	return ""
}

func reason(o calendar.Occurrence, q *actions.Procedure) string {
	switch {
	case q.Match.Pattern != nil && q.Match.Pattern.MatchString(o.Summary):
		return "its title matches " + q.Match.Title
	case q.Match.Category != "":
		return "its category is " + q.Match.Category
	}
	return "it is on feed " + q.Match.Feed
}

// describe takes what the event's description asks for into the window: devices to leave out, and statements on open
// points where the feed lets them count. What cannot be taken is noted.
func describe(w *actions.Window, d statement.Description, feed FeedRules, p *actions.Premises) {
	note := func(s string) { w.Notes = append(w.Notes, "description: "+s) }
	for _, e := range d.Problems {
		note(e.Error())
	}
	for _, name := range d.SkipDevices {
		if p.Device(name) == nil {
			note("skip " + name + ": there is no such device")
			continue
		}
		if !slices.Contains(w.SkipDevices, name) {
			w.SkipDevices = append(w.SkipDevices, name)
		}
	}
	if len(d.Statements) > 0 && !feed.Statements {
		note("its statements do not count, since " + feed.called() + " does not let them")
		return
	}
	for _, raw := range d.Statements {
		s, err := statement.Resolve(raw, actions.PhaseDuring, p.Point)
		switch {
		case err != nil:
			note(raw.Text + ": " + err.Error())
		case !p.Point(s.Point).Open:
			note(raw.Text + ": " + s.Point.String() + " is not open to events")
		case slices.ContainsFunc(w.Extra, func(x actions.Statement) bool { return x.Point == s.Point }):
			note(raw.Text + ": a line before it sets " + s.Point.String() + " already")
		default:
			w.Extra = append(w.Extra, s)
		}
	}
}
