package mqtt

import (
	"errors"
	"sync"
)

// An ending is how a conversation comes to be over, in either version.
type ending struct {
	end chan struct{}

	mu  sync.Mutex
	why error
}

func newEnding() ending { return ending{end: make(chan struct{})} }

// done is closed when the conversation is over, and cause then says why.
func (e *ending) done() <-chan struct{} { return e.end }

func (e *ending) cause() error {
	e.mu.Lock()
	defer e.mu.Unlock()
	return e.why
}

// finish records why the conversation is over; the first reason counts.
func (e *ending) finish(err error) {
	e.mu.Lock()
	defer e.mu.Unlock()
	if e.why != nil {
		return
	}
	if err == nil {
		err = errors.New("the connection was lost")
	}
	e.why = err
	close(e.end)
}
