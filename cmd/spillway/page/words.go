package page

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"strings"
	"time"
	"unicode"

	"spillway/actions"
)

func contextWithin(r *http.Request, d time.Duration) (context.Context, context.CancelFunc) {
	return context.WithTimeout(r.Context(), d)
}

// clean makes text from a calendar or a device fit to stand in a line: no line breaks, no control characters, nothing that
// turns the direction of what follows (Unicode UAX 9), and not without end. It is escaped by the template besides.
func clean(s string) string {
	s = strings.Join(strings.Fields(strings.Map(visible, strings.ToValidUTF8(s, "�"))), " ")
	return short(s, 200)
}

// visible keeps what shows where it stands: any space is one, and what controls is dropped.
func visible(r rune) rune {
	switch {
	case unicode.IsSpace(r):
		return ' '
	case unicode.IsControl(r), unicode.Is(unicode.Bidi_Control, r), r == '\ufeff':
		return -1
	}
	return r
}

// A moment is a time as people read it, in local zone, and as programs do.
type moment struct {
	ISO  string
	Text string // "03:25:13" today, which the head of the page names; else "Thu 15 Oct 03:25:13"
	Rel  string // "in 13 min"
}

// words writes times as they are read at an instant.
type words struct {
	zone *time.Location
	now  time.Time
}

func (p *Page) words() words {
	return words{zone: cmp.Or(p.opt.Premises.Zone, time.UTC), now: p.opt.Now()}
}

func (w words) moment(t time.Time) *moment {
	if t.IsZero() {
		return nil
	}
	return &moment{ISO: t.UTC().Format(time.RFC3339), Text: w.near(t), Rel: w.rel(t)}
}

// near writes a time, without the day where it is today.
func (w words) near(t time.Time) string {
	if t.In(w.zone).Format(time.DateOnly) == w.now.In(w.zone).Format(time.DateOnly) {
		return w.clock(t)
	}
	return w.day(t) + " " + w.clock(t)
}

// day writes the date, with the year where it is another.
func (w words) day(t time.Time) string {
	t = t.In(w.zone)
	if t.Year() != w.now.In(w.zone).Year() {
		return t.Format("Mon 2 Jan 2006")
	}
	return t.Format("Mon 2 Jan")
}

func (w words) clock(t time.Time) string {
	if t = t.In(w.zone).Round(time.Second); t.Second() != 0 {
		return t.Format("15:04:05")
	}
	return t.Format("15:04")
}

// span writes from and to, the day once where it is the same.
func (w words) span(from, to time.Time) string {
	a, b := from.In(w.zone), to.In(w.zone)
	switch {
	case a.Format(time.DateOnly) != b.Format(time.DateOnly):
		return w.day(from) + " " + w.clock(from) + " to " + w.day(to) + " " + w.clock(to)
	case a.Format("MST") != b.Format("MST"): // the clocks change inside
		return w.day(from) + " " + w.clock(from) + a.Format(" MST") + " to " + w.clock(to) + b.Format(" MST")
	}
	return w.day(from) + " " + w.clock(from) + " to " + w.clock(to)
}

// rel writes how far off t is: "in 2 h 5 min", "13 min ago".
func (w words) rel(t time.Time) string {
	d := t.Sub(w.now)
	if d < 0 {
		return long(-d) + " ago"
	}
	return "in " + long(d)
}

func long(d time.Duration) string {
	switch {
	case d < time.Minute:
		return fmt.Sprintf("%d s", int(d.Seconds()))
	case d < time.Hour:
		return fmt.Sprintf("%d min", int(d.Minutes()))
	case d < 24*time.Hour:
		if m := int(d.Minutes()) % 60; m > 0 {
			return fmt.Sprintf("%d h %d min", int(d.Hours()), m)
		}
		return fmt.Sprintf("%d h", int(d.Hours()))
	case d < 48*time.Hour:
		return fmt.Sprintf("1 day %d h", int(d.Hours())-24)
	}
	return fmt.Sprintf("%d days", int(d.Hours()/24))
}

// windowName is a window's title, or where it has none its procedure.
func (w words) windowName(win actions.Window) string {
	return cmp.Or(short(clean(win.Title), 60), actions.Heading(win.Procedure), win.ID)
}

func short(s string, most int) string {
	if runes := []rune(s); len(runes) > most {
		return string(runes[:most]) + "…"
	}
	return s
}

// count writes a number with its noun.
func count(n int, one, more string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, more)
}
