package actions

import "time"

// Earlier returns the earlier of two instants, a where they are the same.
func Earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

// Later returns the later of two instants, a where they are the same.
func Later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}
