package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"time"

	"spillway/actions"
	"spillway/actions/journal"
	"spillway/actions/settle"
	"spillway/calendar/scan"
)

// earlierRun is how long before a window's start a line of the switching log must be to belong to an earlier run of it.
const earlierRun = 48 * time.Hour

// evidence writes what a dispute needs into a folder of its own for each window, below the folder named. A folder that is
// there already is refused before anything is written, since evidence is not to be written over.
func (l *ledger) evidence(ctx context.Context, folder string, results []settle.Result) error {
	if len(results) == 0 {
		return errors.New("no evidence is written: no window of a procedure that settles lies in the meter data")
	}
	var paths []string
	for i := range results {
		w := results[i].Window
		path := filepath.Join(folder, w.Start.In(l.cfg.Premises.Zone).Format(time.DateOnly)+"-"+w.ID)
		if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
			return usagef("--evidence: %s is there already: name another folder, or move it away", path)
		}
		paths = append(paths, path)
	}
	if err := os.MkdirAll(folder, 0o700); err != nil {
		return fmt.Errorf("make the folder of evidence: %w", err)
	}
	for i := range results {
		c, err := l.disputed(ctx, &results[i])
		if err != nil {
			return err
		}
		if err := writeCase(paths[i], c.Documents()); err != nil {
			return fmt.Errorf("write evidence: %w", err)
		}
	}
	if l.app.json {
		return printJSON(l.app.Out, struct {
			Folders []string `json:"folders"`
		}{paths})
	}
	for _, p := range paths {
		fmt.Fprintln(l.app.Out, p)
	}
	return nil
}

// writeCase writes the documents into a new folder, all of them or none.
func writeCase(path string, docs []settle.Document) (err error) {
	half, err := os.MkdirTemp(filepath.Dir(path), ".half-")
	if err != nil {
		return err
	}
	defer func() {
		if err != nil {
			_ = os.RemoveAll(half)
		}
	}()
	for _, d := range docs {
		if err := os.WriteFile(filepath.Join(half, d.Name), d.Text, 0o600); err != nil {
			return err
		}
	}
	return os.Rename(half, path)
}

// disputed gathers the case of one window.
func (l *ledger) disputed(ctx context.Context, r *settle.Result) (*settle.Case, error) {
	c := &settle.Case{Result: *r, Zone: l.cfg.Premises.Zone, Meter: l.metered, Made: l.now, Sources: l.sources()}
	var err error
	if c.Event, err = l.event(ctx, r.Window); err != nil {
		return nil, err
	}
	lines, err := l.kept.Log(ctx, journal.Query{Window: r.Window.ID})
	if err != nil {
		return nil, err
	}
	for _, line := range lines {
		if at := line.Step.At; at.After(r.Window.Start.Add(-earlierRun)) && at.Before(r.Window.End.Add(earlierRun)) {
			c.Log = append(c.Log, line)
		}
	}
	return c, nil
}

// sources names what the figures were made from: the meter data, and the calendars and feeds as they were read.
func (l *ledger) sources() []settle.Source {
	list := slices.Clone(l.meters)
	for _, name := range slices.Sorted(maps.Keys(l.received)) {
		r := l.received[name]
		list = append(list, settle.Source{Name: name, SHA256: r.Hash, Read: r.Good})
	}
	return list
}

// event finds the event of a window as it was received, and when the journal first knew of it.
func (l *ledger) event(ctx context.Context, w actions.Window) (settle.Received, error) {
	var out settle.Received
	for _, name := range slices.Sorted(maps.Keys(l.received)) {
		if w.Feed != "" && name != "feeds."+w.Feed {
			continue
		}
		r := l.received[name]
		if text := eventText(r.Body, w.UID); text != nil || w.Feed != "" {
			out.Source = settle.Source{Name: name, SHA256: r.Hash, Read: r.Good}
			out.Text = text
			break
		}
	}
	kept, err := l.kept.Windows(ctx, w.Start, w.End)
	for _, k := range kept {
		if k.ID == w.ID && k.Start.Equal(w.Start) {
			out.FirstSeen, out.Hash = k.FirstSeen, k.Hash
		}
	}
	return out, err
}

// eventText returns the components with the uid as they stand in the body, byte for byte; nil where there are none.
func eventText(body []byte, uid string) []byte {
	f := &eventFinder{uid: uid}
	scan.Walk(body, f)
	return f.text
}

// An eventFinder collects the events with one uid.
type eventFinder struct {
	uid  string
	text []byte
}

// Event takes an event.
func (f *eventFinder) Event(e *scan.Event) {
	var p scan.Prop
	if e.UID == nil || p.Split(e.UID) != nil || scan.Text(p.Value) != f.uid {
		return
	}
	f.text = append(f.text, e.Text...)
	if !bytes.HasSuffix(f.text, []byte("\n")) {
		f.text = append(f.text, "\r\n"...)
	}
}

// Calendar, Property, Zone and Fault are not looked at.
func (f *eventFinder) Calendar(int)         {}
func (f *eventFinder) Property([]byte, int) {}
func (f *eventFinder) Zone([]byte, int)     {}
func (f *eventFinder) Fault(int, string)    {}
