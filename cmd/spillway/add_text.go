package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"spillway/actions/plan"
	"spillway/calendar"
	"spillway/calendar/announce"
	"spillway/config"
)

// addAnnounced reads an announcement from standard input, shows how it was read, and writes it after a yes. The text
// itself is not kept: an event's description can hold statements, and who wrote this text is not known.
func (a *app) addAnnounced(ctx context.Context, f addFlags, now time.Time) error {
	if f.start != "" || f.end != "" || f.length != "" {
		return usagef("TITLE is missing: --start, --end and --for go with one; an announcement says them itself")
	}
	cfg, err := a.load()
	if err != nil && (f.to == "" || a.configFile != "") {
		return err
	}
	zone := time.UTC
	if cfg != nil {
		zone = cfg.Premises.Zone
	}
	target, err := addTarget(cfg, f.to)
	if err != nil {
		return err
	}
	w, err := a.readAnnouncement(now, zone)
	if err != nil {
		return err
	}
	if f.title != "" {
		w.Title = f.title
	}
	entry := f.entry(w.Title, w.Start, w.End, now)
	talk := a.Out
	if a.json {
		talk = a.Err
	}
	showReading(talk, w, zone)
	if err := sayTaker(talk, cfg, target, entry); err != nil {
		return err
	}
	// The announcement has been read to its end; on a terminal the answer comes after it.
	if err := a.confirm(ctx, newAsker(a.In, talk), "Write it to "+target+"?", f.yes); err != nil {
		return err
	}
	where, err := writeEvent(target, entry)
	if err != nil {
		return err
	}
	return a.sayAdded(entry, zone, where)
}

func (a *app) readAnnouncement(now time.Time, zone *time.Location) (announce.Window, error) {
	if isTerminalInput(a.In) {
		fmt.Fprintln(a.Err, "Paste the announcement, then press Ctrl-D at the start of a line:")
	}
	text, err := io.ReadAll(io.LimitReader(a.In, announce.MaxText+1))
	if err != nil {
		return announce.Window{}, fmt.Errorf("read the announcement: %w", err)
	}
	w, err := announce.Read(string(text), now, zone)
	if err != nil {
		return w, fmt.Errorf("the announcement is not clear: %w; or say it with --start and --for", err)
	}
	return w, nil
}

// showReading says what was understood, and from which words.
func showReading(w io.Writer, r announce.Window, zone *time.Location) {
	start := r.Start.In(zone)
	clocks := zone.String()
	if name, _ := start.Zone(); name != clocks {
		clocks += ", " + name
	}
	fmt.Fprintf(w, "title   %s\n", oneLine(r.Title))
	fmt.Fprintf(w, "window  %s %s, %s (%s)\n", start.Format("Monday 2 January 2006, 15:04"), until(r.Start, r.End, zone), length(r.End.Sub(r.Start)), clocks)
	for _, p := range r.Read {
		fmt.Fprintf(w, "%-6s  from %q\n", p.As, oneLine(p.Text))
	}
	for _, n := range r.Notes {
		fmt.Fprintf(w, "note    %s\n", oneLine(n))
	}
}

// sayTaker says which procedure will take the event, as the program will read it.
func sayTaker(w io.Writer, cfg *config.Config, target string, e calendar.Entry) error {
	if cfg == nil {
		return nil
	}
	v, err := verdictOn(cfg, target, e)
	switch {
	case err != nil:
		return err
	case v.Window == nil:
		fmt.Fprintf(w, "note    no procedure takes it: %s; --title or --category can name one\n", oneLine(v.Why))
	default:
		fmt.Fprintf(w, "taken   by the procedure %s\n", v.Procedure)
	}
	return nil
}

// verdictOn returns what becomes of the event in the feed that target is.
func verdictOn(cfg *config.Config, target string, e calendar.Entry) (plan.Verdict, error) {
	body, err := calendar.Encode(calendar.Publication{ProdID: "-//Spillway//Add//EN", Entries: []calendar.Entry{e}})
	if err != nil {
		return plan.Verdict{}, fmt.Errorf("make the event: %w", err)
	}
	res, err := calendar.Read(body, calendar.Options{Zone: cfg.Premises.Zone, From: e.Start.Add(-time.Hour), To: e.End.Add(time.Hour)})
	if err != nil || len(res.Occurrences) != 1 {
		return plan.Verdict{}, errors.Join(errors.New("the event cannot be read back: give another title"), err)
	}
	var rules plan.FeedRules
	for _, f := range cfg.Feeds {
		if path, local := localPath(f.URL); local && path == target {
			rules = feedRules(f)
		}
	}
	return plan.Match(res.Occurrences[0], rules, &cfg.Premises), nil
}
