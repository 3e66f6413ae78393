package tell

import (
	"context"
	"encoding/json"
	"log/slog"
	"sync"
	"time"
)

// sendWithin is how long one delivery may take.
const sendWithin = 30 * time.Second

// A Sender delivers a message. A nil error means that the far end has taken it. Errors show no secrets.
type Sender interface {
	Send(ctx context.Context, m Message) error
}

// A Store keeps what was told. Put is durable when it returns.
type Store interface {
	Get(ctx context.Context, key string) ([]byte, bool, error)
	Put(ctx context.Context, key string, value []byte) error
}

// A Clock tells the time and wakes.
type Clock interface {
	Now() time.Time
	// After returns a channel that receives once d has passed, and a function that gives the timer up.
	After(d time.Duration) (<-chan time.Time, func())
}

// A Receiver is someone who is told.
type Receiver struct {
	Name   string // by which what was told is remembered
	Rules  Rules
	Sender Sender
}

// Config is what a [Teller] needs.
type Config struct {
	Receivers []Receiver
	Store     Store
	Clock     Clock
	Zone      *time.Location // of times that people read; nil: UTC
	Log       *slog.Logger   // nil: nothing is logged
}

// A Health is how telling one receiver goes.
type Health struct {
	Receiver string
	Failed   int   // deliveries in vain since the last good one
	Err      error // of the last; nil after a good one
}

// A Teller tells its receivers. It is safe for concurrent use.
type Teller struct {
	cfg  Config
	desk []*desk
}

// New returns a teller that does nothing until it runs.
func New(cfg Config) *Teller {
	if cfg.Log == nil {
		cfg.Log = slog.New(slog.DiscardHandler)
	}
	if cfg.Zone == nil {
		cfg.Zone = time.UTC
	}
	t := &Teller{cfg: cfg}
	for _, r := range cfg.Receivers {
		t.desk = append(t.desk, &desk{teller: t, Receiver: r, news: make(chan Report, 1)})
	}
	return t
}

// See takes in how things stand. It never waits: only the newest report counts.
func (t *Teller) See(r Report) {
	for _, d := range t.desk {
		d.hand(r)
	}
}

// Health returns how it goes, by receiver as configured.
func (t *Teller) Health() []Health {
	var all []Health
	for _, d := range t.desk {
		d.mu.Lock()
		all = append(all, Health{Receiver: d.Name, Failed: d.failed, Err: d.err})
		d.mu.Unlock()
	}
	return all
}

// Run tells until ctx ends. It is called once.
func (t *Teller) Run(ctx context.Context) {
	var all sync.WaitGroup
	for _, d := range t.desk {
		all.Go(func() { d.run(ctx) })
	}
	all.Wait()
}

// A desk serves one receiver.
type desk struct {
	Receiver
	teller *Teller
	news   chan Report // holds the newest
	last   *Report     // that was looked at; nil: none yet
	book   *book

	mu     sync.Mutex
	failed int
	err    error
}

// hand puts the report in the place of one that was not looked at.
func (d *desk) hand(r Report) {
	d.mu.Lock()
	defer d.mu.Unlock()
	select {
	case <-d.news:
	default:
	}
	d.news <- r
}

func (d *desk) run(ctx context.Context) {
	d.book = d.load(ctx)
	clock := d.teller.cfg.Clock
	for ctx.Err() == nil {
		items, again := d.book.due(clock.Now(), d.Rules)
		if len(items) > 0 {
			d.tell(ctx, items)
			continue
		}
		var timer <-chan time.Time
		stop := func() {}
		if !again.IsZero() {
			timer, stop = clock.After(max(0, again.Sub(clock.Now())))
		}
		select {
		case <-ctx.Done():
		case <-timer:
		case r := <-d.news:
			d.last = &r
			d.book.see(clock.Now(), r, d.Rules)
		}
		stop()
	}
}

// tell makes one attempt. It is kept before it is made: a crash from here on tells the items once more, with the same
// ids, and no sooner than the pause allows.
func (d *desk) tell(ctx context.Context, items []Item) {
	now := d.teller.cfg.Clock.Now()
	d.book.try(now, items)
	d.save(ctx)
	within, cancel := context.WithTimeout(ctx, sendWithin)
	defer cancel()
	err := d.Sender.Send(within, newMessage(d.Name, now, d.teller.cfg.Zone, items))
	if err == nil {
		d.book.told(items)
		if d.last != nil { // what waited for an all-clear comes up now
			d.book.see(d.teller.cfg.Clock.Now(), *d.last, d.Rules)
		}
		d.save(ctx)
	}
	d.outcome(ctx, err, len(items))
}

func (d *desk) outcome(ctx context.Context, err error, items int) {
	d.mu.Lock()
	before := d.failed
	d.failed++
	if err == nil {
		d.failed = 0
	}
	d.err = err
	d.mu.Unlock()
	log := d.teller.cfg.Log.With("receiver", d.Name)
	switch {
	case ctx.Err() != nil && err != nil:
	case err == nil && before > 0:
		log.Info("can be told again", "items", items)
	case err == nil:
		log.Debug("told", "items", items)
	case before == 0:
		log.Warn("cannot be told: "+err.Error()+"; it is tried until it can", "items", items)
	default:
		log.Debug("cannot be told: "+err.Error(), "tries", before+1)
	}
}

func (d *desk) storeKey() string { return "tell/" + d.Name }

// load returns what was told before. What cannot be read counts as nothing: someone is told twice rather than not at all.
func (d *desk) load(ctx context.Context) *book {
	b := newBook()
	raw, ok, err := d.teller.cfg.Store.Get(ctx, d.storeKey())
	if err == nil && ok {
		err = json.Unmarshal(raw, b)
	}
	if err != nil {
		d.teller.cfg.Log.Warn("what was told before cannot be read, so it may be told again: "+err.Error(), "receiver", d.Name)
		return newBook()
	}
	b.complete()
	return b
}

// save keeps the book. Where it cannot, telling goes on: a journal that cannot be written is one of the things to tell.
func (d *desk) save(ctx context.Context) {
	raw, err := json.Marshal(d.book)
	if err == nil {
		err = d.teller.cfg.Store.Put(context.WithoutCancel(ctx), d.storeKey(), raw)
	}
	if err != nil {
		d.teller.cfg.Log.Debug("what was told cannot be kept: "+err.Error(), "receiver", d.Name)
	}
}
