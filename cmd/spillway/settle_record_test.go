package main

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"spillway/actions"
	"spillway/actions/journal"
	"spillway/actions/link"
	"spillway/actions/run"
	"spillway/config"
)

// A register is a link behind which a meter counts half a kWh each hour. Between deaf and heard it cannot be reached.
type register struct {
	from, deaf, heard time.Time
}

func (r *register) Read(context.Context, *actions.Point) (actions.Value, error) {
	now := time.Now()
	if !now.Before(r.deaf) && now.Before(r.heard) {
		return actions.Value{}, &link.Error{Class: link.Unreachable, What: "read the register", Err: errors.New("no route")}
	}
	return actions.Number(1000 + now.Sub(r.from).Hours()/2), nil
}

func (r *register) Write(context.Context, *actions.Point, actions.Value) error { return nil }
func (r *register) Session() uint64                                            { return 1 }
func (r *register) Close() error                                               { return nil }

// recordFor runs a recorder on a register for so long, by a clock that takes no time, and returns what settlement then
// sees and what was logged.
func recordFor(t *testing.T, j *journal.Journal, r *register, d time.Duration) string {
	t.Helper()
	var log bytes.Buffer
	ref := actions.Ref{Device: "house", Point: "register"}
	cfg := &config.Config{Meter: config.Meter{Point: &ref}}
	cfg.Premises.Zone = time.UTC
	cfg.Premises.Links = []actions.Link{{Name: "cellar", Timeout: time.Second}}
	cfg.Premises.Devices = []actions.Device{{Name: "house", Link: "cellar", Enabled: true, Points: []actions.Point{{Ref: ref, Unit: "kWh", Read: &actions.Address{}}}}}
	rec := newRecorder(&daemon{cfg: cfg, clock: run.System{}, log: slog.New(slog.NewTextHandler(&log, nil)), journal: j, links: map[string]link.Link{"cellar": r}})
	ctx, cancel := context.WithTimeout(t.Context(), d)
	defer cancel()
	rec.run(ctx)
	return log.String()
}

// What is recorded becomes half hours of 0.25 kWh; a night without the link is a gap, the register's own ends apart; a
// restart goes on where the last run ended; the days before are packed, and the single readings are then not needed.
func TestRecorder(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		j, err := journal.Open(dir, journal.Options{})
		if err != nil {
			t.Fatal(err)
		}
		defer func() { _ = j.Close() }()
		begin := time.Now().UTC() // a bubble begins at midnight UTC of 1 January 2000
		r := &register{from: begin, deaf: begin.Add(4*time.Hour + 10*time.Minute), heard: begin.Add(7*time.Hour + 50*time.Minute)}
		log := recordFor(t, j, r, 20*time.Hour+time.Second)
		if n := strings.Count(log, "cannot be read"); n != 1 || strings.Count(log, "is read again") != 1 {
			t.Errorf("the silence is said %d times:\n%s", n, log)
		}
		// The program is off for twenty minutes in which no half hour begins, and then runs into the next day.
		time.Sleep(20 * time.Minute)
		recordFor(t, j, r, 5*time.Hour)

		ref := actions.Ref{Device: "house", Point: "register"}
		cfg := &config.Config{Meter: config.Meter{Point: &ref}}
		cfg.Premises.Devices = []actions.Device{{Name: "house", Points: []actions.Point{{Ref: ref, Unit: "kWh"}}}}
		l := &ledger{cfg: cfg, kept: j, now: time.Now()}
		check := func(what string) {
			t.Helper()
			s, err := l.recorded(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			// From 00:30 (the first reading is of 00:01) to 25:00, but for 04:00 to 08:00.
			want := (25*60-30)/30 - 8
			if s.Len() != want {
				t.Errorf("%s: %d half hours, want %d; gaps %v", what, s.Len(), want, s.Holes())
			}
			for _, x := range s.Readings() {
				if got, _ := x.Energy.Rat().Float64(); got < 0.2499 || got > 0.2501 {
					t.Errorf("%s: %s holds %g kWh", what, time.Unix(x.From, 0).UTC(), got)
				}
			}
		}
		check("as recorded")
		if _, packed, err := j.Get(t.Context(), recordedKey(ref)); !packed || err != nil {
			t.Errorf("the day before was not packed: %v", err)
		}
		if err := j.Prune(t.Context(), begin.Add(23*time.Hour+50*time.Minute)); err != nil {
			t.Fatal(err)
		}
		check("with the single readings of the first day gone")
	})
}

func TestNoRecorder(t *testing.T) {
	var log bytes.Buffer
	d := &daemon{cfg: &config.Config{}, log: slog.New(slog.NewTextHandler(&log, nil))}
	if newRecorder(d) != nil {
		t.Error("a recorder without a point")
	}
	d.cfg.Meter.Point = &actions.Ref{Device: "house", Point: "register"}
	d.cfg.Premises.Devices = []actions.Device{{Name: "house"}}
	if newRecorder(d) != nil || !strings.Contains(log.String(), "not enabled") {
		t.Errorf("a recorder of a device that is not enabled: %s", log.String())
	}
}
