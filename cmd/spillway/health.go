package main

import (
	"context"
	"errors"
	"io"
	"net/http"
	"sync"
	"time"
)

const (
	// healthKey is what is written to see whether the journal can be.
	healthKey = "health"
	// probeEvery is how soon the journal is written again for whoever asks after its health: flash wears.
	probeEvery = time.Minute
	// askEvery is how soon the runner is made to turn again.
	askEvery = time.Second
)

// A health answers how the program is, with what it found a moment ago where it is asked often. Nothing runs while nobody
// asks.
type health struct {
	alive func(context.Context) error // whether the runner turns
	wrote func() error                // how the runner's last write went
	put   func(context.Context) error // writes to the journal

	mu     sync.Mutex
	asked  time.Time // by the machine's own clock
	err    error
	probed time.Time
	wrong  error
}

var errJournal = errors.New("the journal cannot be written")

func newHealth(d *daemon) *health {
	return &health{alive: d.alive, wrote: d.pulse.wrote, put: func(ctx context.Context) error {
		return d.journal.Put(ctx, healthKey, []byte(d.clock.Now().Format(time.RFC3339)))
	}}
}

// check returns nil where the runner turns and the journal can be written.
func (h *health) check(ctx context.Context) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	if time.Since(h.asked) < askEvery {
		return h.err
	}
	// Who asked may go away; that says nothing of the health.
	h.err = h.look(context.WithoutCancel(ctx))
	h.asked = time.Now()
	return h.err
}

func (h *health) look(ctx context.Context) error {
	if err := h.alive(ctx); err != nil {
		return err
	}
	if err := h.wrote(); err != nil {
		return errJournal
	}
	if time.Since(h.probed) >= probeEvery || h.wrong != nil {
		h.probed, h.wrong = time.Now(), nil
		if err := h.put(ctx); err != nil {
			h.wrong = errJournal
		}
	}
	return h.wrong
}

// ServeHTTP answers 200 and "ok", or 503 and a line that says what is wrong.
func (h *health) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.Header().Set("X-Content-Type-Options", "nosniff")
	said := "ok"
	if err := h.check(r.Context()); err != nil {
		said = err.Error()
		w.WriteHeader(http.StatusServiceUnavailable)
	}
	_, _ = io.WriteString(w, said+"\n") // whoever asked may have gone
}
