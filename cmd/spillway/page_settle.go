package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"spillway/actions/journal"
	"spillway/actions/meter"
	"spillway/actions/settle"
	"spillway/config"
)

const (
	// lookAgain is how soon the page may make the settler look whether anything has changed.
	lookAgain = 5 * time.Second
	// settleAgain is how soon it settles anew though nothing has: the feeds of holidays may have.
	settleAgain = 6 * time.Hour
)

// A settler works out the past windows' gains beside everything else, since meter files may be large and a feed of
// holidays slow. It works only when the page asks, and answers with what it has.
type settler struct {
	cfg     *config.Config
	journal *journal.Journal
	stop    context.CancelFunc
	ctx     context.Context //nolint:containedctx // of the work it starts, ended by close
	work    sync.WaitGroup

	mu      sync.Mutex
	running bool
	looked  time.Time // by the machine's own clock
	made    time.Time
	from    string // what the results were made from
	results []settle.Result
	note    string
}

func newSettler(d *daemon) *settler {
	s := &settler{cfg: d.cfg, journal: d.journal, note: "Being worked out."}
	s.ctx, s.stop = context.WithCancel(context.Background())
	return s
}

// close ends the work under way.
func (s *settler) close() {
	s.stop()
	s.work.Wait()
}

// Settled returns the newest results at once, and has them made again where they are old.
func (s *settler) Settled() ([]settle.Result, string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.running && time.Since(s.looked) >= lookAgain && s.ctx.Err() == nil {
		s.running = true
		s.work.Go(s.look)
	}
	return s.results, s.note
}

// look settles where what it is made from has changed.
func (s *settler) look() {
	from := s.sources()
	s.mu.Lock()
	same := from == s.from && time.Since(s.made) < settleAgain
	s.mu.Unlock()
	var results []settle.Result
	var note string
	if !same {
		var err error
		results, err = s.settle()
		switch {
		case errors.Is(err, errNoMeter):
			note = "No meter data yet, so nothing is settled."
		case err != nil:
			note = "Nothing is settled: " + oneLine(err.Error())
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.running, s.looked = false, time.Now()
	if !same {
		s.made, s.from, s.results, s.note = time.Now(), from, results, note
	}
}

// sources tells apart what the results are made from: the meter files, the windows, the credits that came.
func (s *settler) sources() string {
	var b strings.Builder
	for _, pattern := range s.cfg.Meter.Files {
		files, _ := filepath.Glob(pattern) // a bad pattern is said when it is read
		for _, name := range files {
			if info, err := os.Stat(name); err == nil {
				fmt.Fprintln(&b, name, info.Size(), info.ModTime().UnixNano())
			}
		}
	}
	windows, _ := s.journal.Windows(s.ctx, time.Time{}, time.Time{}) // likewise
	for _, w := range windows {
		fmt.Fprintln(&b, w.ID, w.Hash)
	}
	paid, _, _ := s.journal.Get(s.ctx, paidKey)
	b.Write(paid)
	return b.String()
}

// settle works from the windows that the journal remembers, so that no feed is asked for them once more.
func (s *settler) settle() ([]settle.Result, error) {
	if !s.needed() {
		return nil, nil
	}
	if !s.metered() {
		return nil, errNoMeter
	}
	a := &app{streams: streams{Out: io.Discard, Err: io.Discard}}
	series, err := a.meterData(s.cfg, nil)
	if err != nil {
		return nil, err
	}
	from, to := series.Bounds()
	b := &settle.Books{Zone: s.cfg.Premises.Zone, Meter: series,
		Holidays: map[string]settle.Dates{}, LeaveOut: map[string]settle.Dates{}, Figures: map[string]*meter.Series{}}
	if err := remembered(s.ctx, s.cfg.State, b, from, to); err != nil {
		return nil, err
	}
	if b.Recorded, err = recordedCredits(s.ctx, s.journal); err != nil {
		return nil, err
	}
	if err := a.termsNeed(s.ctx, s.cfg, b, from, to); err != nil {
		return nil, err
	}
	return settle.New(*b).All(&s.cfg.Premises, from, to), nil
}

var errNoMeter = errors.New("no meter data")

// metered reports whether there is any meter file.
func (s *settler) metered() bool {
	for _, pattern := range s.cfg.Meter.Files {
		if files, err := filepath.Glob(pattern); err != nil || len(files) > 0 {
			return true // a bad pattern is said when it is read
		}
	}
	return false
}

// needed reports whether any procedure settles.
func (s *settler) needed() bool {
	for _, p := range s.cfg.Premises.Procedures {
		if len(p.Terms) > 0 {
			return true
		}
	}
	return false
}
