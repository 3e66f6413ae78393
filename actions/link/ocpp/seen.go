package ocpp

import (
	"sync"
	"time"
)

// seen is what a charger has said of one connector in this conversation.
type seen struct {
	mu sync.Mutex

	plugged     known[bool]
	running     known[bool]    // a transaction
	transaction string         // its id, where it is known
	power       known[float64] // W
	energy      known[float64] // Wh
	offered     known[float64] // A, what the charger offers the vehicle
	metered     time.Time      // when meter values came last
	news        chan struct{}  // closed and made anew at each piece of news
}

// known is a value that may not have been heard yet.
type known[T any] struct {
	value T
	heard bool
}

func hear[T any](v T) known[T] { return known[T]{v, true} }

func newSeen() *seen { return &seen{news: make(chan struct{})} }

// note changes what is seen, and wakes who waits for news.
func (s *seen) note(change func(*seen)) {
	s.mu.Lock()
	defer s.mu.Unlock()
	change(s)
	close(s.news)
	s.news = make(chan struct{})
}

// look reads what is seen, and returns a channel that is closed at the next news.
func (s *seen) look(read func(*seen)) <-chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	read(s)
	return s.news
}

// started and stopped note the ends of a transaction. Meter values from before one begins are old.
func (s *seen) started(id string) {
	if !s.running.value {
		s.metered = time.Time{}
	}
	s.running, s.transaction, s.plugged = hear(true), id, hear(true)
}

func (s *seen) stopped() {
	s.running, s.transaction, s.power = hear(false), "", hear(0.0)
}

// meter takes one set of readings.
func (s *seen) meter(r readings, at time.Time) {
	s.metered = at
	if r.power.heard {
		s.power = r.power
	}
	if r.energy.heard {
		s.energy = r.energy
	}
	if r.offered.heard {
		s.offered = r.offered
	}
}
