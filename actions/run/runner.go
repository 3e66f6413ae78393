package run

import (
	"context"
	"log/slog"
	"sync"
	"time"

	"spillway/actions/link"
)

// Note is the level of what is no fault and still worth telling, such as a person's hand on a held point.
const Note = slog.LevelInfo + 2

// A Feed is polled for windows. It is used by one goroutine.
type Feed interface {
	Name() string
	// Poll asks once and returns what it found, and when to ask again. It may be called before that.
	Poll(ctx context.Context) (Polled, time.Time)
}

// Config is what a runner needs besides the machine's settings. Settings.Feeds is filled from Feeds.
type Config struct {
	Settings
	Clock Clock
	Links map[string]link.Link // by name; every link of the premises
	Feeds []Feed
	Log   *slog.Logger
	First []Event // handled before anything else is done
	// Changed is called with each new state, by one goroutine, the newest state only. It may be slow. nil: not called.
	Changed func(Snapshot)
	// Samples is called about each minute while a window is on, by one goroutine, with what the levels, needs and powers
	// of its devices and the whole import read as: see [Sample]. It may be slow. nil: not called.
	Samples func([]Sample)
}

const (
	// patience is how many readings may wait on a link.
	patience = 4096
	// samplesWait is how many rounds of samples may wait to be kept; what is more is lost.
	samplesWait = 16
)

// A Runner carries out what its machine decides: it owns the goroutines, the clock and the links.
type Runner struct {
	cfg     Config
	tick    func() Tick
	events  chan Event
	wg      sync.WaitGroup // readings and sends under way
	patient map[string]chan Read
	samples chan []Sample

	mu    sync.Mutex
	snap  Snapshot
	fresh chan struct{} // closed when snap is replaced
}

// NewRunner returns a runner that has not started.
func NewRunner(cfg Config) *Runner {
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	cfg.Settings.Feeds = nil
	for _, f := range cfg.Feeds {
		cfg.Settings.Feeds = append(cfg.Settings.Feeds, f.Name())
	}
	return &Runner{
		cfg: cfg, tick: ticks(cfg.Clock), events: make(chan Event, 64), patient: map[string]chan Read{},
		samples: make(chan []Sample, samplesWait), fresh: make(chan struct{}),
	}
}

// Run works until ctx ends. Holds that are on then stay on, and the next start finds them in the journal. It returns once
// every send has ended and its outcome is journaled.
func (r *Runner) Run(ctx context.Context) error {
	m := NewMachine(r.cfg.Settings)
	work, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	var background sync.WaitGroup
	for _, f := range r.cfg.Feeds {
		background.Go(func() { r.poll(work, f) })
	}
	for name := range r.cfg.Links {
		q := make(chan Read, patience)
		r.patient[name] = q
		background.Go(func() { r.readPatiently(work, q) })
	}
	if r.cfg.Changed != nil {
		background.Go(func() { r.publish(work) })
	}
	if r.cfg.Samples != nil {
		background.Go(func() { r.keepSamples(work) })
	}
	batch := r.cfg.First
	for ctx.Err() == nil {
		batch = r.turn(ctx, work, m, batch)
	}
	r.wind(m, batch, stop, &background)
	return nil
}

// turn lets the machine handle one batch and waits for the next.
func (r *Runner) turn(ctx, work context.Context, m *Machine, batch []Event) []Event {
	now := r.tick()
	effects, wait := m.Handle(now, batch...)
	for _, e := range effects {
		r.perform(work, m, now, e)
	}
	// The clock is asked again: handling and performing took time, and sleeping it off would make the next step late.
	timer, cancel := r.cfg.Clock.After(max(0, wait-(r.tick().Up-now.Up)))
	defer cancel()
	select {
	case <-ctx.Done():
		return nil
	case <-timer:
		return nil
	case e := <-r.events:
		return r.drain([]Event{e})
	}
}

// drain adds what else has happened, so that one commit serves it all.
func (r *Runner) drain(batch []Event) []Event {
	for {
		select {
		case e := <-r.events:
			batch = append(batch, e)
		default:
			return batch
		}
	}
}

// wind ends the readings, waits for the sends, and journals their outcomes; nothing new is sent.
func (r *Runner) wind(m *Machine, batch []Event, stop context.CancelFunc, background *sync.WaitGroup) {
	m.set.Watch = true
	m.Handle(r.tick(), batch...)
	stop()
	ended := make(chan struct{})
	go func() { r.wg.Wait(); background.Wait(); close(ended) }()
	for {
		select {
		case e := <-r.events:
			m.Handle(r.tick(), e)
		case <-ended:
			now := r.tick()
			m.Handle(now, r.drain(nil)...)
			last := m.Snapshot(now.Wall)
			r.keep(last)
			if r.cfg.Changed != nil && last.Plan != nil {
				r.cfg.Changed(last)
			}
			return
		}
	}
}

func (r *Runner) perform(work context.Context, m *Machine, now Tick, e Effect) {
	switch e := e.(type) {
	case Read:
		if e.Patient {
			select {
			case r.patient[e.Link] <- e:
			default: // the link has thousands of readings waiting; this one comes round again
			}
			return
		}
		r.wg.Go(func() { r.read(work, e) })
	case Write:
		r.wg.Go(func() { r.write(work, e) })
	case Told:
		r.cfg.Log.Log(work, level(e.Level), e.What, "at", e.Where)
	case Changed:
		r.keep(m.Snapshot(now.Wall))
	case Sampled:
		if r.cfg.Samples != nil {
			select {
			case r.samples <- e.Samples:
			default: // whoever keeps them is far behind
			}
		}
	}
}

func level(name string) slog.Level {
	switch name {
	case "note":
		return Note
	case "warn":
		return slog.LevelWarn
	}
	return slog.LevelInfo
}

func (r *Runner) readPatiently(work context.Context, q chan Read) {
	for {
		select {
		case <-work.Done():
			return
		case e := <-q:
			r.read(work, e)
		}
	}
}

func (r *Runner) keepSamples(work context.Context) {
	for {
		select {
		case <-work.Done():
			return
		case s := <-r.samples:
			r.cfg.Samples(s)
		}
	}
}

func (r *Runner) read(work context.Context, e Read) {
	ctx, done := r.limit(work, e.Timeout)
	defer done()
	l := r.cfg.Links[e.Link]
	// Of before: what was read while the conversation was found again counts for the old one, and the next read tells.
	session := l.Session()
	v, err := l.Read(ctx, e.Point)
	r.post(work, ReadDone{Ref: e.Point.Ref, ID: e.ID, Value: v, Err: err, Session: session, At: r.tick().Wall})
}

// write sends once. A send that has begun is not cut short by the end of the program, only by its own time limit: half a
// command is worse than a late exit.
func (r *Runner) write(work context.Context, e Write) {
	ctx, done := r.limit(context.WithoutCancel(work), e.Timeout)
	defer done()
	err := r.send(ctx, e)
	r.events <- WriteDone{Link: e.Link, Step: e.Step, Try: e.Try, Err: err, Tick: r.tick()}
}

// limit gives an exchange its time by our clock.
func (r *Runner) limit(parent context.Context, d time.Duration) (context.Context, func()) {
	ctx, cancel := context.WithCancel(parent)
	timer, stop := r.cfg.Clock.After(d)
	go func() {
		select {
		case <-timer:
			cancel()
		case <-ctx.Done():
		}
		stop()
	}()
	return ctx, cancel
}

func (r *Runner) post(work context.Context, e Event) {
	select {
	case r.events <- e:
	case <-work.Done():
	}
}

func (r *Runner) poll(work context.Context, f Feed) {
	for {
		began := r.tick()
		p, next := f.Poll(work)
		r.post(work, p)
		timer, cancel := r.cfg.Clock.After(untilNext(began, r.tick(), next))
		select {
		case <-work.Done():
			cancel()
			return
		case <-timer:
		}
		cancel()
	}
}

// untilNext returns how long a feed rests until its next poll, given when the last one began. Where the clock was set back since
// next was worked out, the time that has really passed tells: a feed does not rest for as long as the clock was set back by.
func untilNext(began, now Tick, next time.Time) time.Duration {
	return max(0, min(next.Sub(now.Wall), next.Sub(began.Wall)-(now.Up-began.Up)))
}

// Ask hands the machine a request. What comes of it shows in the snapshots.
func (r *Runner) Ask(ctx context.Context, e Event) error {
	select {
	case r.events <- e:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (r *Runner) keep(s Snapshot) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.snap = s
	close(r.fresh)
	r.fresh = make(chan struct{})
}

// Snapshot returns the newest state, and a channel that closes when there is a newer one.
func (r *Runner) Snapshot() (Snapshot, <-chan struct{}) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.snap, r.fresh
}

// Until waits for a state that satisfies ok and returns it.
func (r *Runner) Until(ctx context.Context, ok func(Snapshot) bool) (Snapshot, error) {
	for {
		s, newer := r.Snapshot()
		if s.Plan != nil && ok(s) {
			return s, nil
		}
		select {
		case <-ctx.Done():
			return s, ctx.Err()
		case <-newer:
		}
	}
}

// publish hands each newest state on, and the last one after everything has ended.
func (r *Runner) publish(work context.Context) {
	for {
		s, newer := r.Snapshot()
		if s.Plan != nil {
			r.cfg.Changed(s)
		}
		select {
		case <-work.Done():
			return
		case <-newer:
		}
	}
}
