package announce

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
)

const (
	// MaxText is the most that is read, in bytes; announcements are far shorter.
	MaxText = 64 << 10
	// mostTitle is where a title is cut, in characters.
	mostTitle = 80
	// justOver is how lately a day without a year may have been so that it is not taken for next year's.
	justOver = 90
	// farAhead is further ahead, in days, than anybody announces.
	farAhead = 400
)

// A Window is what an announcement says.
type Window struct {
	Title      string    // the first line of the text, shortened
	Start, End time.Time // UTC; End is exclusive
	Read       []Part    // the words it was read from, in their order
	Notes      []string  // what was taken for granted
}

// A Part is a piece of the text and what it was taken for.
type Part struct {
	Text string
	As   string // "day", "start", "end", "length" or "zone"
}

// Read reads an announcement. now and zone are the reader's: relative days count from now, and times are local in zone
// unless the text says another. The error says in one line what is missing or has two readings, and how to write it.
func Read(text string, now time.Time, zone *time.Location) (Window, error) {
	if len(text) > MaxText {
		return Window{}, fmt.Errorf("it is longer than any announcement: paste the few lines that tell the day and the time")
	}
	p := &parser{text: text, toks: tokens(text)}
	if err := p.scan(); err != nil {
		return Window{}, err
	}
	p.mergeDays()
	w, err := p.assemble(now, zone)
	if err != nil {
		return Window{}, err
	}
	w.Title = title(text)
	return w, nil
}

// mergeDays makes one day of a weekday and the date beside it.
func (p *parser) mergeDays() {
	var out []item
	for _, it := range p.items {
		d, isDay := it.what.(dayText)
		if n := len(out); isDay && n > 0 {
			last, lastIsDay := out[n-1].what.(dayText)
			if lastIsDay && last.only() != d.only() && p.skip(out[n-1].to, "the", "on", "of") >= it.from {
				if last.only() {
					last, d = d, last
				}
				last.weekday, last.hasWeekday = d.weekday, true
				out[n-1] = item{last, out[n-1].from, it.to}
				continue
			}
		}
		out = append(out, it)
	}
	p.items = out
}

// found is what the items say, each kind in order.
type found struct {
	days    []int // items
	clocks  []int
	lengths []time.Duration
	zones   []zoneText
}

func (p *parser) sort() found {
	var f found
	for i, it := range p.items {
		switch what := it.what.(type) {
		case dayText:
			f.days = append(f.days, i)
		case clockText:
			f.clocks = append(f.clocks, i)
		case lengthText:
			if !slices.Contains(f.lengths, what.d) {
				f.lengths = append(f.lengths, what.d)
			}
		case zoneText:
			same := func(z zoneText) bool {
				return z.name == what.name && (z.zone == nil) == (what.zone == nil) && z.zone.String() == what.zone.String()
			}
			if !slices.ContainsFunc(f.zones, same) {
				f.zones = append(f.zones, what)
			}
		}
	}
	return f
}

func (p *parser) assemble(now time.Time, zone *time.Location) (Window, error) {
	f := p.sort()
	var w Window
	first, last, err := p.times(&f)
	if err != nil {
		return w, err
	}
	if len(f.zones) > 1 {
		return w, errors.New("it names more than one time zone: write the times in one")
	}
	var written *zoneText
	if len(f.zones) == 1 {
		written = &f.zones[0]
	} else {
		w.Notes = append(w.Notes, "no time zone is written: the times are taken in "+zone.String())
	}
	home := zone
	if written != nil && written.zone != nil {
		home = written.zone
	}
	startDay, endDay, notes, err := p.dates(f, first, last, dateOf(now.In(home)))
	if err != nil {
		return w, err
	}
	w.Notes = append(w.Notes, notes...)
	startMin, endMin, err := p.minutes(f, first, last, startDay, endDay)
	if err != nil {
		return w, err
	}
	if w.Start, err = instant(startDay, startMin, zone, written); err != nil {
		return w, err
	}
	if last < 0 {
		w.End = w.Start.Add(f.lengths[0])
	} else if w.End, err = instant(startDay, endMin, zone, written); err != nil {
		return w, err
	}
	if last >= 0 && len(f.lengths) == 1 && w.End.Sub(w.Start) != f.lengths[0] {
		return w, fmt.Errorf("it says %s, and from start to end it is %s: write one of them", length(f.lengths[0]), length(w.End.Sub(w.Start)))
	}
	w.Start, w.End = w.Start.UTC(), w.End.UTC()
	if s, e := w.Start.In(zone), w.End.In(zone); dateOf(s) != dateOf(e) {
		w.Notes = append(w.Notes, "it ends on "+e.Format("Monday"))
	}
	w.Read = p.parts(first, last)
	return w, w.sane(now)
}

func (w Window) sane(now time.Time) error {
	switch {
	case !w.End.After(w.Start):
		return errors.New("it ends before it starts")
	case w.End.Sub(w.Start) > 25*time.Hour:
		return fmt.Errorf("it goes on for %s, longer than a day: use --start and --end if that is meant", length(w.End.Sub(w.Start)))
	case !w.End.After(now):
		return fmt.Errorf("it is over already: it ended on %s UTC", w.End.Format("Mon 2 Jan 2006 15:04"))
	case w.Start.Sub(now) > farAhead*24*time.Hour:
		return errors.New("it is more than a year ahead: use --start if that is meant")
	}
	return nil
}

// times returns the items of the start and of the end; the end is -1 where a length stands for it.
func (p *parser) times(f *found) (first, last int, err error) {
	type pair struct{ a, b int }
	var pairs []pair
	var singles []int
	for k := 0; k < len(f.clocks); k++ {
		i := f.clocks[k]
		if k+1 < len(f.clocks) && p.joined(i, f.clocks[k+1]) {
			pairs = append(pairs, pair{i, f.clocks[k+1]})
			k++
			continue
		}
		singles = append(singles, i)
	}
	clock := func(i int) clockText { return p.items[i].what.(clockText) }
	pairs = slices.CompactFunc(pairs, func(x, y pair) bool { return clock(x.a) == clock(y.a) && clock(x.b) == clock(y.b) })
	if len(pairs) == 1 {
		singles = slices.DeleteFunc(singles, func(i int) bool { return clock(i) == clock(pairs[0].a) })
	}
	singles = slices.CompactFunc(singles, func(x, y int) bool { return clock(x) == clock(y) })
	switch {
	case len(pairs)+len(singles) == 0:
		return 0, 0, errors.New("it says no time: write it such as 1pm to 2pm, or 13:00 to 14:00")
	case len(pairs) > 1:
		return 0, 0, fmt.Errorf("it names more than one stretch of time (%q, %q): add them one at a time",
			p.quote(p.items[pairs[0].a].from, p.items[pairs[0].b].to), p.quote(p.items[pairs[1].a].from, p.items[pairs[1].b].to))
	case len(pairs) == 1 && len(singles) > 0:
		return 0, 0, fmt.Errorf("it names another time besides (%q): paste only what tells the window", p.quote(p.items[singles[0]].from, p.items[singles[0]].to))
	case len(singles) > 1:
		return 0, 0, fmt.Errorf("it names %q and %q, and not which is the start and which the end: write %s to %s", p.said(singles[0]), p.said(singles[1]), p.said(singles[0]), p.said(singles[1]))
	case len(f.lengths) > 1:
		return 0, 0, fmt.Errorf("it says two lengths, %s and %s: write one", length(f.lengths[0]), length(f.lengths[1]))
	case len(singles) == 1 && len(f.lengths) == 0:
		return 0, 0, fmt.Errorf("it says when it starts (%q) and not when it ends: write until when, or for how long", p.said(singles[0]))
	case len(singles) == 1:
		return singles[0], -1, nil
	}
	return pairs[0].a, pairs[0].b, nil
}

func (p *parser) said(i int) string { return p.quote(p.items[i].from, p.items[i].to) }

// joined reports whether a separator stands between two times.
func (p *parser) joined(a, b int) bool {
	return slices.ContainsFunc(p.items[a+1:b], func(it item) bool { _, ok := it.what.(sepText); return ok })
}

// minutes returns the start and the end in minutes from the start of the start's day.
func (p *parser) minutes(f found, first, last int, startDay, endDay date) (start, end int, err error) {
	a := p.items[first].what.(clockText)
	if last < 0 {
		start, said := a.said()
		switch {
		case a.midnight || a.minutes == 24*60:
			return 0, 0, errors.New("a start at midnight can be the start of the day or its end: write 00:00 and the date")
		case !said:
			return 0, 0, fmt.Errorf("%q does not say morning or afternoon: write am or pm, or a 24-hour clock such as 09:00", p.said(first))
		}
		return start, 0, p.evening(f, start)
	}
	b := p.items[last].what.(clockText)
	if startDay == endDay {
		if start, end, err = stretch(a, b); err == nil {
			err = p.evening(f, start)
		}
		return start, end, err
	}
	start, startSaid := a.said()
	end, endSaid := b.said()
	if !startSaid || !endSaid || b.midnight || a.midnight {
		return 0, 0, errors.New("over two days both times must be clear: write a 24-hour clock, such as 22:00 and 02:00")
	}
	return start, end + int(endDay.noon().Sub(startDay.noon()).Minutes()), nil
}

// evening holds "tonight" against the time.
func (p *parser) evening(f found, start int) error {
	for _, i := range f.days {
		if p.items[i].what.(dayText).tonight && start < 17*60 {
			return errors.New("tonight at that hour can be today or tomorrow: write the date")
		}
	}
	return nil
}

// parts lists what the window was read from.
func (p *parser) parts(first, last int) []Part {
	var list []Part
	for i, it := range p.items {
		as := ""
		switch it.what.(type) {
		case dayText:
			as = "day"
		case lengthText:
			as = "length"
		case zoneText:
			as = "zone"
		case clockText:
			as = map[bool]string{true: "start", false: "end"}[i == first || i != last && last >= 0 && i < last]
		default:
			continue
		}
		list = append(list, Part{Text: p.quote(it.from, it.to), As: as})
	}
	return list
}

// title returns the first line that says anything, without what only marks it, shortened.
func title(text string) string {
	for line := range strings.Lines(text) {
		line = strings.Map(func(r rune) rune {
			if unicode.IsControl(r) || unicode.Is(unicode.Cf, r) || r == unicode.ReplacementChar {
				return ' '
			}
			return r
		}, strings.ToValidUTF8(line, " "))
		line = strings.Join(strings.Fields(line), " ")
		if kind, rest, ok := strings.Cut(line, ":"); ok && slices.Contains([]string{"subject", "re", "fwd", "fw"}, strings.ToLower(kind)) {
			line = strings.TrimSpace(rest)
		}
		if !strings.ContainsFunc(line, unicode.IsLetter) {
			continue
		}
		runes := []rune(line)
		if len(runes) > mostTitle {
			line = strings.TrimSpace(string(runes[:mostTitle-1])) + "…"
		}
		return line
	}
	return "Announced window"
}
