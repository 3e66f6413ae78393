package run

import (
	"context"
	"time"

	"spillway/actions"
)

// A Journal is the durable record and the only place that keeps standing. It is safe for concurrent use.
type Journal interface {
	// Write records the entries, all or none, and returns once they would survive a power cut. Standing has them then.
	Write(ctx context.Context, entries ...actions.Entry) error
	// Standing returns a copy of what is true now.
	Standing() actions.Standing
	// Newest returns the time of the newest entry; zero where there is none.
	Newest() time.Time
}
