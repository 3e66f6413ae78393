package journaltest

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"spillway/actions"
	"spillway/actions/journal"
)

// A Fault is what happens to one write.
type Fault int

// The faults, in pairs of what the caller hears and what is kept.
const (
	None        Fault = iota // kept, and the caller hears so
	Refused                  // nothing kept, the caller hears an error (a full disk)
	RefusedKept              // the caller hears an error, yet a power cut before the next write leaves it kept (a failed sync)
	CutBefore                // the power fails before anything reached the disk
	CutTorn                  // the power fails in the middle: half is on the disk, so that nothing counts
	CutAfter                 // the power fails when all is kept, before the caller hears
)

// The errors that a [Crash] gives.
var (
	ErrFull = errors.New("write journal: the disk is full: free some space")
	ErrSync = errors.New("write journal: the disk answers with an error: check it")
	ErrCut  = errors.New("write journal: the power is off")
)

// A Disk is what outlives the journals on it. The zero Disk is empty and works. It is safe for concurrent use.
type Disk struct {
	// Fault, where it is not nil, decides what happens to write number n, from 0. It is called with the disk locked.
	Fault func(n int, entries []actions.Entry) Fault

	mu       sync.Mutex
	writes   int
	cuts     int // journals opened before the last cut are dead
	full     bool
	lines    []line
	standing actions.Standing
	newest   time.Time
	unsynced []actions.Entry // of the last write, where its sync failed
}

// A line is a line of the switching log with what a query asks about it.
type line struct {
	actions.StepStanding
	first, last time.Time
	live        bool
}

// A Crash is a journal on a [Disk].
type Crash struct {
	d        *Disk
	cut      int
	closed   bool // guarded by Disk.mu, like the rest
	standing actions.Standing
	newest   time.Time
}

// Open opens a journal with whatever the disk kept.
func (d *Disk) Open() (*Crash, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.standing.Points == nil {
		d.standing = actions.NewStanding()
	}
	return &Crash{d: d, cut: d.cuts, standing: d.standing.Clone(), newest: d.newest}, nil
}

// Full makes the disk full, or not any more.
func (d *Disk) Full(full bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.full = full
}

// Cut cuts the power: every open journal is dead, and what was not synced is lost, unless keep says that it happened to
// have reached the disk.
func (d *Disk) Cut(keep bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.cutNow(keep)
}

// Cuts returns how often the power was cut.
func (d *Disk) Cuts() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.cuts
}

func (d *Disk) cutNow(keep bool) {
	if keep && d.unsynced != nil {
		d.keep(d.unsynced)
	}
	d.unsynced = nil
	d.cuts++
}

// Write records the entries, or fails as the disk's faults say.
func (c *Crash) Write(ctx context.Context, entries ...actions.Entry) error {
	if err := ctx.Err(); err != nil || len(entries) == 0 {
		return err
	}
	c.d.mu.Lock()
	defer c.d.mu.Unlock()
	if c.closed || c.cut != c.d.cuts {
		return ErrCut
	}
	entries = journal.Clean(entries)
	switch c.d.next(entries) {
	case Refused:
		return ErrFull
	case RefusedKept:
		c.d.unsynced = entries
		return ErrSync
	case CutBefore, CutTorn:
		c.d.cutNow(false)
		return ErrCut
	case CutAfter:
		c.d.unsynced = entries
		c.d.cutNow(true)
		return ErrCut
	}
	c.d.unsynced = nil // the place where it stood is written over
	c.d.keep(entries)
	for _, e := range entries {
		c.standing.Apply(e)
	}
	c.newest = c.d.newest
	return nil
}

func (d *Disk) next(entries []actions.Entry) Fault {
	n := d.writes
	d.writes++
	if d.full {
		return Refused
	}
	if d.Fault == nil {
		return None
	}
	return d.Fault(n, entries)
}

// keep applies the entries to what the disk holds.
func (d *Disk) keep(entries []actions.Entry) {
	for _, e := range entries {
		d.standing.Apply(e)
		if e.At.After(d.newest) {
			d.newest = e.At
		}
		switch e.Kind {
		case actions.EntryIntent, actions.EntrySent, actions.EntryUnsent, actions.EntrySettled:
			d.log(e)
		case actions.EntryWindowOver:
			for i, l := range d.lines {
				if l.live {
					_, d.lines[i].live = d.standing.Steps[l.Step.ID]
				}
			}
		}
	}
}

func (d *Disk) log(e actions.Entry) {
	st, known := d.standing.Steps[e.Step.ID]
	if !known {
		return
	}
	for i := len(d.lines) - 1; i >= 0; i-- {
		if l := &d.lines[i]; l.live && l.Step.ID == e.Step.ID {
			l.StepStanding = st
			if e.At.After(l.last) {
				l.last = e.At
			}
			return
		}
	}
	d.lines = append(d.lines, line{st, e.At, e.At, true})
}

// Standing returns a copy of what is true now.
func (c *Crash) Standing() actions.Standing {
	c.d.mu.Lock()
	defer c.d.mu.Unlock()
	return c.standing.Clone()
}

// Newest returns the time of the newest entry.
func (c *Crash) Newest() time.Time {
	c.d.mu.Lock()
	defer c.d.mu.Unlock()
	return c.newest
}

// Log returns lines of the switching log as [journal.Reader.Log] does.
func (c *Crash) Log(_ context.Context, q journal.Query) ([]actions.StepStanding, error) {
	c.d.mu.Lock()
	defer c.d.mu.Unlock()
	lines := c.d.lines
	if q.After != "" {
		for i := len(lines) - 1; i >= 0; i-- {
			if lines[i].Step.ID == q.After {
				lines = lines[i+1:]
				break
			}
		}
	}
	var out []actions.StepStanding
	for _, l := range lines {
		if !l.matches(q) {
			continue
		}
		if out = append(out, l.StepStanding); q.Limit > 0 && len(out) == q.Limit {
			break
		}
	}
	return slices.Clip(out), nil
}

func (l line) matches(q journal.Query) bool {
	return (q.From.IsZero() || !l.last.Before(q.From)) && (q.To.IsZero() || l.first.Before(q.To)) &&
		(q.Window == "" || l.Step.Window == q.Window) && (q.Device == "" || l.Step.Point.Device == q.Device)
}

// Close ends the journal; the disk keeps what it has.
func (c *Crash) Close() error {
	c.d.mu.Lock()
	defer c.d.mu.Unlock()
	c.closed = true
	return nil
}
