package house

import (
	"context"
	"errors"
	"sync"
	"time"

	"spillway/actions"
)

// Options say how a House begins. Clock is needed; the zero value of the rest is the demo's story.
type Options struct {
	Clock   Clock
	Seed    uint64
	Levels  *Levels // nil: StoryLevels
	History int     // days that the meter remembers; 0: 28, negative: none
	Faults  []Fault
	Events  []Event // nil: StoryEvents
	Broker  string  // the address of a broker, mqtt://HOST:PORT, for the gateways to be on; "": one of the house's own
}

// A House is a [Site] with its clock running and real protocols in front of it, on free loopback ports. Its methods are
// safe for concurrent use. It must be closed.
type House struct {
	Calendar *Calendar

	clock    Clock
	broker   hub // nil until it is open
	boiler   *server
	yard     *server
	calendar *server

	mu   sync.Mutex
	site *Site

	kick      chan struct{}
	stop      context.CancelFunc
	running   sync.WaitGroup
	closeOnce func() error
}

// Start furnishes the premises, opens the ports and lets time run. When it returns, every state is published.
func Start(o Options) (*House, error) {
	levels := StoryLevels()
	if o.Levels != nil {
		levels = *o.Levels
	}
	site, err := NewSite(o.Clock.Now(), o.Seed, levels)
	if err != nil {
		return nil, err
	}
	if o.History == 0 {
		o.History = 28
	}
	if err := site.Remember(o.History); err != nil {
		return nil, err
	}
	for _, f := range o.Faults {
		if err := site.Inject(f); err != nil {
			return nil, err
		}
	}
	if o.Events == nil {
		if o.Events, err = StoryEvents(); err != nil {
			return nil, err
		}
	}
	ctx, stop := context.WithCancel(context.Background())
	h := &House{clock: o.Clock, site: site, kick: make(chan struct{}, 1), stop: stop}
	h.closeOnce = sync.OnceValue(h.close)
	h.Calendar = newCalendar(site.zone, o.Clock.Now, o.Events)
	if err := h.open(ctx, o.Broker); err != nil {
		return nil, errors.Join(err, h.Close())
	}
	h.turn()
	h.running.Go(func() { h.run(ctx) })
	return h, nil
}

func (h *House) open(ctx context.Context, broker string) (err error) {
	if err := h.openBroker(ctx, broker); err != nil {
		return err
	}
	if h.boiler, err = serve(ctx, h.boxHandler(LinkBoilerRoom)); err != nil {
		return err
	}
	if h.yard, err = serve(ctx, h.boxHandler(LinkYard)); err != nil {
		return err
	}
	h.calendar, err = serve(ctx, h.Calendar)
	return err
}

// openBroker puts the gateways on the broker at an address, or on one of the house's own.
func (h *House) openBroker(ctx context.Context, at string) error {
	heard := func(topic, payload string) {
		h.do(func(s *Site, now time.Time) { s.Publish(now, topic, payload) })
	}
	if at == "" {
		b, err := startBroker(heard)
		if err != nil {
			return err
		}
		h.broker = b
		return nil
	}
	l, err := dialBroker(ctx, at, heard, func() { h.do(func(s *Site, _ time.Time) { s.announce("") }) })
	if err != nil {
		return err
	}
	h.broker = l
	return nil
}

// Close ends everything and waits for it. A second call does nothing and returns what the first did.
func (h *House) Close() error { return h.closeOnce() }

func (h *House) close() error {
	h.stop()
	h.running.Wait()
	var errs []error
	for _, s := range []*server{h.boiler, h.yard, h.calendar} {
		if s != nil {
			errs = append(errs, s.close())
		}
	}
	if h.broker != nil {
		errs = append(errs, h.broker.close())
	}
	return errors.Join(errs...)
}

// do lets use have the site, moved on to now.
func (h *House) do(use func(s *Site, now time.Time)) {
	h.mu.Lock()
	now := h.clock.Now()
	h.site.Advance(now)
	use(h.site, now)
	h.mu.Unlock()
	select {
	case h.kick <- struct{}{}:
	default: // one is waiting already
	}
}

// run moves the premises on whenever something in them is due, and tells the broker what is new.
func (h *House) run(ctx context.Context) {
	for {
		wait := h.turn()
		due, stop := h.clock.After(wait)
		select {
		case <-ctx.Done():
			stop()
			return
		case <-due:
		case <-h.kick:
			stop()
		}
	}
}

// turn moves the premises on to now and returns how long until something is due.
func (h *House) turn() time.Duration {
	h.mu.Lock()
	now := h.clock.Now()
	h.site.Advance(now)
	messages, due := h.site.Drain(), h.site.Due()
	h.mu.Unlock()
	for _, m := range messages {
		if m.Topic == "" {
			h.broker.dropClients()
			continue
		}
		// It can only fail where the broker is away: it is told everything when it is back.
		_ = h.broker.publish(m)
	}
	return max(0, due.Sub(now))
}

// Inject has a fault happen. See [Site.Inject].
func (h *House) Inject(f Fault) (err error) {
	h.do(func(s *Site, _ time.Time) { err = s.Inject(f) })
	return err
}

// DropClients breaks every MQTT conversation off, as a broker that starts anew.
func (h *House) DropClients() { h.broker.dropClients() }

// Snapshot returns what the premises draw now and how full everything is.
func (h *House) Snapshot() (snap Snapshot) {
	h.do(func(s *Site, _ time.Time) { snap = s.Snapshot() })
	return snap
}

// Ledger returns everything that reached the devices until now.
func (h *House) Ledger() (l Ledger) {
	h.do(func(s *Site, _ time.Time) { l = s.Ledger() })
	return l
}

// Normals returns every setting as it was at the beginning. See [Site.Normals].
func (h *House) Normals() (m map[actions.Ref]actions.Value) {
	h.do(func(s *Site, _ time.Time) { m = s.Normals() })
	return m
}

// Settings returns every setting as it is at the device now. See [Site.Settings].
func (h *House) Settings() (m map[actions.Ref]actions.Value) {
	h.do(func(s *Site, _ time.Time) { m = s.Settings() })
	return m
}

// Astray returns the settings that are neither at their normal nor where a hand left them.
func (h *House) Astray() (m map[actions.Ref]actions.Value) {
	h.do(func(s *Site, _ time.Time) { m = s.Astray() })
	return m
}

// Hands returns what a person set last, by point.
func (h *House) Hands() (m map[actions.Ref]actions.Value) {
	h.do(func(s *Site, _ time.Time) { m = s.Hands() })
	return m
}

// Gateway returns the counts of the gateway of a link.
func (h *House) Gateway(link string) (g Gateway) {
	h.do(func(s *Site, _ time.Time) { g = s.Gateway(link) })
	return g
}

// Excess returns when the import was above the service fuse.
func (h *House) Excess() (e []Excess) {
	h.do(func(s *Site, _ time.Time) { e = s.Excess() })
	return e
}

// Peak returns the highest import since the beginning, in W, and when it began.
func (h *House) Peak() (w float64, at time.Time) {
	h.do(func(s *Site, _ time.Time) { w, at = s.Peak() })
	return w, at
}

// Metered returns the meter's half hours, the remembered days first.
func (h *House) Metered() (slots []Slot) {
	h.do(func(s *Site, _ time.Time) { slots = s.Metered() })
	return slots
}

// MeterCSV returns [House.Metered] as CSV: see [MeterCSV].
func (h *House) MeterCSV() []byte { return MeterCSV(h.Metered()) }

// Addresses are where the premises can be reached.
type Addresses struct {
	Broker   string // mqtt://127.0.0.1:PORT
	Boiler   string // http://127.0.0.1:PORT/
	Yard     string // http://127.0.0.1:PORT/
	Calendar string // http://127.0.0.1:PORT/quillmere.ics
}

// Addresses returns where this house can be reached.
func (h *House) Addresses() Addresses {
	return Addresses{
		Broker:   h.broker.address(),
		Boiler:   h.boiler.url(),
		Yard:     h.yard.url(),
		Calendar: h.calendar.url() + "quillmere.ics",
	}
}
