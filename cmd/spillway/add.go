package main

import (
	"bytes"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"github.com/google/renameio/v2/maybe"
	"github.com/spf13/cobra"

	"spillway/actions/statement"
	"spillway/calendar"
	"spillway/config"
)

type addFlags struct {
	start, end, length, category, to, title string
	yes                                     bool
}

func (a *app) addCommand() *cobra.Command {
	var f addFlags
	c := &cobra.Command{
		Use:   "add (TITLE --start T (--end T or --for D) | -)",
		Short: "Write a window as an event into a calendar",
		Long: `Add writes one event into a calendar file, a folder of .ics files, or a feed that can be written.

A time is RFC 3339, or "2026-12-05 13:00" or "13:00" (the next time it is that) in the configured zone.

Without a TITLE, or with -, it reads an announcement from standard input, as it came in a message: "Free power this
Saturday, 5 December, from 1 to 2pm". It shows how it read it, and writes only after a yes on the terminal, or with
--yes. What can be taken in two ways is refused. It reads English.`,
		Example: `  spillway add "Free power" --start "2026-12-05 13:00" --for 1h --category surplus --to windows.ics
  spillway add -                              # paste the announcement, then Ctrl-D
  spillway add --yes < announcement.txt       # for a script`,
		Args: cobra.MaximumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			if len(args) == 0 || args[0] == "-" {
				return a.addAnnounced(c.Context(), f, time.Now())
			}
			return a.add(args[0], f, time.Now())
		},
	}
	c.Flags().StringVar(&f.start, "start", "", "when the window begins, `T`")
	c.Flags().StringVar(&f.end, "end", "", "when it ends, `T`")
	c.Flags().StringVar(&f.length, "for", "", "how long it is, `D` such as 1h or 90m")
	c.Flags().StringVar(&f.category, "category", "", "the event's `CATEGORY`")
	c.Flags().StringVar(&f.to, "to", "", "write to `FILE, FOLDER or FEED` (default: the first feed that can be written)")
	c.Flags().StringVar(&f.title, "title", "", "the event's `TITLE`, in place of the announcement's first line")
	c.Flags().BoolVar(&f.yes, "yes", false, "write what was read from an announcement without asking")
	return c
}

func (a *app) add(title string, f addFlags, now time.Time) error {
	if strings.TrimSpace(title) == "" {
		return usagef("the TITLE is empty: write the words that a procedure matches")
	}
	cfg, err := a.load()
	if err != nil && (f.to == "" || a.configFile != "") {
		return err
	}
	zone := time.UTC
	if cfg != nil {
		zone = cfg.Premises.Zone
	}
	start, end, err := f.times(now, zone)
	if err != nil {
		return err
	}
	target, err := addTarget(cfg, f.to)
	if err != nil {
		return err
	}
	entry := f.entry(title, start, end, now)
	where, err := writeEvent(target, entry)
	if err != nil {
		return err
	}
	if err := a.sayAdded(entry, zone, where); err != nil || a.json || cfg == nil {
		return err
	}
	if v, err := verdictOn(cfg, target, entry); err == nil && v.Window == nil {
		fmt.Fprintf(a.Err, "spillway: it will be no window: %s; give another title or --category, or see 'spillway windows --why'\n", oneLine(v.Why))
	}
	return nil
}

// entry makes the event.
func (f addFlags) entry(title string, start, end, now time.Time) calendar.Entry {
	e := calendar.Entry{
		UID: rand.Text() + "@spillway", Start: start, End: end, Summary: title,
		Stamp: now.UTC().Truncate(time.Second), LastModified: now.UTC().Truncate(time.Second),
	}
	if f.category != "" {
		e.Categories = []string{f.category}
	}
	return e
}

func (a *app) sayAdded(e calendar.Entry, zone *time.Location, where string) error {
	if a.json {
		return printJSON(a.Out, struct {
			UID   string    `json:"uid"`
			Title string    `json:"title"`
			Start time.Time `json:"start"`
			End   time.Time `json:"end"`
			File  string    `json:"file"`
		}{e.UID, e.Summary, e.Start.UTC(), e.End.UTC(), where})
	}
	_, err := fmt.Fprintf(a.Out, "%s, %s %s (%s): written to %s\n", oneLine(e.Summary), e.Start.In(zone).Format("Mon 2 Jan 2006 15:04"),
		until(e.Start, e.End, zone), zone, where)
	return err
}

// times reads the flags; the end must lie behind the start.
func (f addFlags) times(now time.Time, zone *time.Location) (start, end time.Time, err error) {
	if f.start == "" {
		return start, end, usagef("--start is missing: say when the window begins, or paste an announcement into 'spillway add -'")
	}
	if (f.end == "") == (f.length == "") {
		return start, end, usagef("give either --end or --for")
	}
	if start, err = readTime(f.start, now, zone); err != nil {
		return start, end, usagef("--start: %w", err)
	}
	if f.length != "" {
		d, err := statement.ParseDuration(f.length)
		if err != nil {
			return start, end, usagef("--for: %w", err)
		}
		end = start.Add(d)
	} else if end, err = readTime(f.end, start, zone); err != nil {
		return start, end, usagef("--end: %w", err)
	}
	switch {
	case end.After(start):
		return start, end, nil
	case f.length != "":
		return start, end, usagef("--for %s: is no time at all: write how long the window is, such as 1h", f.length)
	}
	return start, end, usagef("--end %s is not after --start %s: write a later end", f.end, f.start)
}

// readTime reads RFC 3339, or a date and time, or a time of day (the next after now), in zone.
func readTime(s string, now time.Time, zone *time.Location) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, s); err == nil {
		return t.UTC(), nil
	}
	for _, layout := range []string{"2006-01-02 15:04", "2006-01-02T15:04", "2006-01-02 15:04:05", "2006-01-02T15:04:05"} {
		if t, err := time.ParseInLocation(layout, s, zone); err == nil {
			return t.UTC(), nil
		}
	}
	if t, err := time.Parse("15:04", s); err == nil {
		n := now.In(zone)
		at := time.Date(n.Year(), n.Month(), n.Day(), t.Hour(), t.Minute(), 0, 0, zone)
		if !at.After(now) {
			at = time.Date(n.Year(), n.Month(), n.Day()+1, t.Hour(), t.Minute(), 0, 0, zone)
		}
		return at.UTC(), nil
	}
	return time.Time{}, fmt.Errorf("%q is no time: write 2026-12-05T13:00:00Z, \"2026-12-05 13:00\" or 13:00", s)
}

// addTarget returns the path to write to: what was asked for, by path or by feed name, or the first feed that is a file
// or a folder.
func addTarget(cfg *config.Config, to string) (string, error) {
	var feeds []config.Feed
	if cfg != nil {
		feeds = cfg.Feeds
	}
	for _, f := range feeds {
		path, local := localPath(f.URL)
		switch {
		case to == f.Name && !local:
			return "", usagef("feeds.%s is %s, which cannot be written from here: add the event in its own calendar, or give --to FILE", f.Name, f.URL)
		case local && (to == "" || to == f.Name):
			return path, nil
		}
	}
	if to == "" {
		return "", usagef("no feed is a file or a folder: give --to FILE or FOLDER")
	}
	if strings.Contains(to, "://") {
		return "", usagef("--to %s: give a FILE, a FOLDER or the name of a feed", to)
	}
	return to, nil
}

// localPath returns the path of a file or folder feed.
func localPath(feed string) (string, bool) {
	u, err := url.Parse(feed)
	switch {
	case err == nil && u.Scheme == "file":
		return u.Path, true
	case err == nil && u.Scheme != "":
		return "", false
	}
	return feed, true
}

// writeEvent puts the entry into a folder as a file of its own, or into a calendar file beside what it holds.
func writeEvent(target string, e calendar.Entry) (string, error) {
	body, err := calendar.Encode(calendar.Publication{ProdID: "-//Spillway//Add//EN", Entries: []calendar.Entry{e}})
	if err != nil {
		return "", fmt.Errorf("make the event: %w", err)
	}
	info, err := os.Stat(target)
	switch {
	case err == nil && info.IsDir():
		path := filepath.Join(target, strings.TrimSuffix(e.UID, "@spillway")+".ics")
		return path, maybe.WriteFile(path, body, 0o644)
	case err == nil:
		old, err := os.ReadFile(target)
		if err != nil {
			return "", fmt.Errorf("read the calendar: %w", err)
		}
		if body, err = insertEvent(old, body); err != nil {
			return "", fmt.Errorf("%s: %w", target, err)
		}
	case !errors.Is(err, fs.ErrNotExist):
		return "", fmt.Errorf("look at the calendar: %w", err)
	case !strings.EqualFold(filepath.Ext(target), ".ics"):
		return "", usagef("--to %s: no such file or folder, and no .ics to make", target)
	default:
		if dir := filepath.Dir(target); !isFolder(dir) {
			return "", usagef("--to %s: there is no folder %s to make it in: make the folder, or name another", target, dir)
		}
	}
	if err := maybe.WriteFile(target, body, 0o644); err != nil {
		return "", fmt.Errorf("write the calendar: %w", err)
	}
	return target, nil
}

func isFolder(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.IsDir()
}

// calendarEnd finds the line that closes a calendar (RFC 5545 3.4; names are case-blind).
var calendarEnd = regexp.MustCompile(`(?im)^END:VCALENDAR\s*$`)

// insertEvent puts the one event of made before the last END:VCALENDAR of old and leaves every other byte as it was.
func insertEvent(old, made []byte) ([]byte, error) {
	ends := calendarEnd.FindAllIndex(old, -1)
	if len(ends) == 0 {
		return nil, errors.New("no complete iCalendar data in it: give another file")
	}
	at := ends[len(ends)-1][0]
	from := bytes.Index(made, []byte("BEGIN:VEVENT"))
	to := bytes.LastIndex(made, []byte("END:VEVENT")) + len("END:VEVENT\r\n")
	out := append([]byte{}, old[:at]...)
	out = append(out, made[from:to]...)
	return append(out, old[at:]...), nil
}
