package link

import (
	"context"
	"fmt"
	"sync"
	"time"

	"spillway/actions"
)

// A Gate lets one exchange at a time through: small boxes serve one conversation, and what was written must be done
// before it is read back.
type Gate chan struct{}

// NewGate returns an open gate.
func NewGate() Gate { return make(Gate, 1) }

// Enter waits for the turn of an exchange, or for ctx; what says which exchange it is. The error is an [*Error] of class
// Unreachable, since nothing was sent.
func (g Gate) Enter(ctx context.Context, what string) error {
	if ctx.Err() == nil {
		select {
		case g <- struct{}{}:
			return nil
		case <-ctx.Done():
		}
	}
	return &Error{Class: Unreachable, What: what + ": given up before its turn came", Err: context.Cause(ctx)}
}

// Leave ends the turn.
func (g Gate) Leave() { <-g }

// Sessions counts conversations for [Link.Session], for links that have no connection of their own to count by. It is
// safe for concurrent use; the zero Sessions is ready.
type Sessions struct {
	mu   sync.Mutex
	n    uint64
	lost bool
}

// Note takes the outcome of one exchange: an error of class Unreachable or Unknown loses the conversation, the next
// exchange that the far end answers begins a new one.
func (s *Sessions) Note(err error) {
	gone := err != nil && (ClassOf(err) == Unreachable || ClassOf(err) == Unknown)
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.lost && !gone {
		s.n++
	}
	s.lost = gone
}

// Number returns the number of the conversation.
func (s *Sessions) Number() uint64 {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.n
}

// Within returns ctx bounded by the time that one exchange on the link may take (10 s where it is not given).
func Within(ctx context.Context, spec actions.Link) (context.Context, context.CancelFunc) {
	return context.WithTimeout(ctx, Limit(spec))
}

// Limit returns the time that one exchange on the link may take.
func Limit(spec actions.Link) time.Duration {
	if spec.Timeout <= 0 {
		return 10 * time.Second
	}
	return spec.Timeout
}

// Closed returns the error for an exchange on a link that is closed.
func Closed(what string) error {
	return &Error{Class: Unreachable, What: what + ": not sent, the link is closed"}
}

// NoAnswer returns the error for an exchange that may have reached the far end and was not answered.
func NoAnswer(ctx context.Context, what string, limit time.Duration, err error) error {
	if ctx.Err() == context.DeadlineExceeded {
		return &Error{Class: Unknown, What: fmt.Sprintf("%s: nothing came within %s", what, limit)}
	}
	return &Error{Class: Unknown, What: what, Err: err}
}
