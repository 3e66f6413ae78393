package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"time"

	"spillway/actions/journal"
	"spillway/actions/meter"
	"spillway/actions/settle"
	"spillway/config"
)

const (
	// importedKey is the journal's key of imported meter data.
	importedKey = "meter data"
	// importedName is what messages call it.
	importedName = "the imported meter data"
	// mostImported bounds what the daemon takes: ten years of five minutes, packed.
	mostImported = 64 << 20
)

// errNoMeterData says that there is no meter data at all.
var errNoMeterData = errors.New("no meter data: give --meter FILE, name files or a point under [meter], or import some")

// series returns the meter data: the files named, or else for each stretch the first that has it of the configured files,
// the imported data and the recorded data.
func (l *ledger) series(ctx context.Context, named []string) (s *meter.Series, err error) {
	if len(named) > 0 {
		s, err = l.files(named)
	} else {
		s, err = l.layers(ctx)
	}
	l.metered = s
	return s, err
}

func (l *ledger) layers(ctx context.Context) (*meter.Series, error) {
	var all *meter.Series
	files, err := l.configuredFiles()
	if err == nil && len(files) > 0 {
		all, err = l.files(files)
	}
	if err != nil {
		return nil, err
	}
	imported, err := l.imported(ctx)
	if err != nil {
		return nil, err
	}
	recorded, err := l.recorded(ctx)
	if err != nil {
		return nil, err
	}
	all = meter.Layer(meter.Layer(all, imported), recorded)
	if first, last := all.Bounds(); first.Equal(last) {
		return nil, usageError{errNoMeterData}
	}
	return all, nil
}

// configuredFiles returns the files that the configuration's patterns name, each once.
func (l *ledger) configuredFiles() ([]string, error) {
	var files []string
	for _, pattern := range l.cfg.Meter.Files {
		found, err := filepath.Glob(pattern)
		switch {
		case err != nil:
			return nil, usagef("meter.files: %q is no pattern: %w", pattern, err)
		case len(found) == 0:
			l.note("meter.files: no file is called " + pattern)
		}
		files = append(files, found...)
	}
	slices.Sort(files)
	return slices.Compact(files), nil
}

// files reads meter files into one series. They must agree where they overlap.
func (l *ledger) files(names []string) (*meter.Series, error) {
	var list []*meter.Series
	for _, name := range names {
		s, err := l.file(name)
		if err != nil {
			return nil, err
		}
		list = append(list, s)
	}
	s, notes, err := meter.Merge(list...)
	if err != nil {
		return nil, err
	}
	l.notes(notes)
	return s, nil
}

func (l *ledger) file(name string) (*meter.Series, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, fmt.Errorf("read meter data: %w: look at its name and at who may read it", err)
	}
	defer f.Close()
	sum := sha256.New()
	all := io.TeeReader(f, sum)
	s, notes, err := meter.Read(all, name, meterLayout(l.cfg.Meter))
	if err == nil {
		_, err = io.Copy(io.Discard, all) // what stands behind the last line that was looked at
	}
	if err != nil {
		return nil, err
	}
	l.meters = append(l.meters, settle.Source{Name: name, SHA256: hex.EncodeToString(sum.Sum(nil))})
	l.notes(notes)
	return s, nil
}

func meterLayout(m config.Meter) meter.Layout {
	return meter.Layout{Zone: m.Zone, Stamp: m.Stamp, Columns: m.Columns, Unit: m.Unit, Interval: m.Interval, Decimal: m.Decimal,
		Separator: m.Separator, Dates: m.Dates, Register: m.Register, Net: m.Net}
}

func (l *ledger) notes(notes []meter.Note) {
	for _, n := range notes {
		l.note(n.String())
	}
}

// imported returns what --import kept; nil where nothing was.
func (l *ledger) imported(ctx context.Context) (*meter.Series, error) {
	raw, ok, err := l.kept.Get(ctx, importedKey)
	if err != nil || !ok {
		return nil, err
	}
	sum := sha256.Sum256(raw)
	l.meters = append(l.meters, settle.Source{Name: importedName, SHA256: hex.EncodeToString(sum[:])})
	return meter.Unpack(importedName, raw)
}

// importing is what came of an import.
type importing struct {
	From     time.Time `json:"from"`
	To       time.Time `json:"to"`
	Readings int       `json:"readings"` // kept in all
	New      int       `json:"new"`
	Replaced int       `json:"replaced"`
}

// importMeter adds meter files to what the journal keeps. The same files a second time change nothing; files that
// contradict what is kept are refused as a whole, or with replace take its place.
func (l *ledger) importMeter(ctx context.Context, named []string, replace bool) error {
	if l.cfg.State == "" {
		return usagef("--import: state is missing: meter data is kept there")
	}
	if len(named) == 0 {
		var err error
		if named, err = l.configuredFiles(); err != nil {
			return err
		}
	}
	if len(named) == 0 {
		return usagef("--import: give --meter FILE, or name files under [meter]")
	}
	next, err := l.files(named)
	if err != nil {
		return err
	}
	known, err := l.imported(ctx)
	if err != nil {
		return err
	}
	all := next
	switch {
	case known == nil:
		known = &meter.Series{}
	case replace:
		all = meter.Layer(next, known)
	default:
		if all, _, err = meter.Merge(known, next); err != nil {
			return fmt.Errorf("%w, or give --replace", err)
		}
	}
	out := importing{Readings: all.Len()}
	out.From, out.To = all.Bounds()
	out.New, out.Replaced = meter.Differences(known, all)
	if packed := meter.Pack(all); string(packed) != string(meter.Pack(known)) {
		if err := keepMeter(ctx, l.cfg.State, packed); err != nil {
			return err
		}
	}
	return l.printImport(out)
}

func (l *ledger) printImport(out importing) error {
	if l.app.json {
		return printJSON(l.app.Out, out)
	}
	zone := l.cfg.Premises.Zone
	replaced := ""
	if out.Replaced > 0 {
		replaced = fmt.Sprintf(", %d replaced", out.Replaced)
	}
	_, err := fmt.Fprintf(l.app.Out, "%d new readings%s; %d are kept, from %s to %s\n", out.New, replaced, out.Readings,
		out.From.In(zone).Format("Mon 2 Jan 2006 15:04"), out.To.In(zone).Format("Mon 2 Jan 2006 15:04"))
	return err
}

// keepMeter keeps packed meter data in the journal, in one piece: through the daemon where one runs, since two programs
// may not write one journal.
func keepMeter(ctx context.Context, state string, packed []byte) error {
	if running, err := ask(ctx, state, "/meter", packed, nil); running || err != nil {
		return err
	}
	j, err := journal.Open(state, journal.Options{})
	if err != nil {
		return err
	}
	defer j.Close()
	return j.Put(ctx, importedKey, packed)
}

// takeMeter answers POST /meter: packed meter data as a JSON string in base64, which takes the place of what was kept.
func takeMeter(s creditStore) http.HandlerFunc {
	return func(w http.ResponseWriter, q *http.Request) {
		var packed []byte
		err := json.NewDecoder(http.MaxBytesReader(w, q.Body, mostImported)).Decode(&packed)
		if err == nil {
			_, err = meter.Unpack(importedName, packed)
		}
		if err != nil {
			http.Error(w, "the meter data is not readable: "+err.Error(), http.StatusBadRequest)
			return
		}
		if err := s.Put(q.Context(), importedKey, packed); err != nil {
			http.Error(w, err.Error(), http.StatusInternalServerError)
			return
		}
		w.WriteHeader(http.StatusNoContent)
	}
}
