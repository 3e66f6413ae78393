package main

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"spillway/actions/journal"
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
// holidays slow. It works when the page asks, and once an hour for the plan feed, and answers with what it has.
type settler struct {
	cfg     *config.Config
	journal *journal.Journal
	now     func() time.Time
	stop    context.CancelFunc
	ctx     context.Context //nolint:containedctx // of the work it starts, ended by close
	work    sync.WaitGroup
	told    func() // called after each new result

	mu      sync.Mutex
	running bool
	looked  time.Time // by the machine's own clock
	made    time.Time
	from    string // what the results were made from
	results []settle.Result
	note    string
}

func newSettler(d *daemon) *settler {
	s := &settler{cfg: d.cfg, journal: d.journal, now: d.clock.Now, told: d.republish, note: "Being worked out."}
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
	s.start(lookAgain)
	return s.results, s.note
}

// hourly returns the newest results at once, and has it looked whether they are old once an hour; known is false while they
// are worked out for the first time.
func (s *settler) hourly() (results []settle.Result, known bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.start(time.Hour)
	return s.results, !s.made.IsZero()
}

// start begins the work where the last look was so long ago. The lock is held.
func (s *settler) start(after time.Duration) {
	if !s.running && time.Since(s.looked) >= after && s.ctx.Err() == nil {
		s.running = true
		s.work.Go(s.look)
	}
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
		case errors.Is(err, errNoMeterData):
			note = "No meter data yet, so nothing is settled."
		case err != nil:
			note = "Nothing is settled: " + oneLine(err.Error())
		}
	}
	s.mu.Lock()
	s.running, s.looked = false, time.Now()
	if !same {
		s.made, s.from, s.results, s.note = time.Now(), from, results, note
	}
	s.mu.Unlock()
	if !same && s.told != nil && s.ctx.Err() == nil {
		s.told()
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
	for _, key := range []string{paidKey, importedKey} {
		kept, _, _ := s.journal.Get(s.ctx, key)
		fmt.Fprintf(&b, "%x\n", sha256.Sum256(kept))
	}
	if s.cfg.Meter.Point != nil {
		fmt.Fprintln(&b, s.now().Truncate(time.Hour)) // what is recorded grows all the time
	}
	return b.String()
}

// settle works from the windows that the journal remembers and from the last good copies of feeds, so that no feed is asked
// for them once more.
func (s *settler) settle() ([]settle.Result, error) {
	if !s.needed() {
		return nil, nil
	}
	l := (&app{}).ledger(s.cfg, s.journal, s.now())
	l.copies, l.note = true, func(string) {}
	series, err := l.series(s.ctx, nil)
	if err != nil {
		return nil, err
	}
	from, to := series.Bounds()
	b := &settle.Books{Zone: s.cfg.Premises.Zone, Meter: series}
	if b.Windows, err = l.remembered(s.ctx, nil, from, to); err != nil {
		return nil, err
	}
	if b.Recorded, err = recordedCredits(s.ctx, s.journal); err != nil {
		return nil, err
	}
	if err := l.termsNeed(s.ctx, b, from, to); err != nil {
		return nil, err
	}
	results := settle.New(*b).All(&s.cfg.Premises, from, to)
	return results, l.made(s.ctx, results)
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
