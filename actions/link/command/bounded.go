package command

import "bytes"

// largest is the most bytes that a program may print on either stream.
const largest = 1 << 20

// bounded keeps the first bytes written to it, and calls over once at more.
type bounded struct {
	kept bytes.Buffer
	most int
	over func()
	full bool
}

// Write takes everything, so that the program sees no broken pipe before it is stopped.
func (b *bounded) Write(p []byte) (int, error) {
	room := b.most - b.kept.Len()
	b.kept.Write(p[:min(len(p), room)])
	if len(p) > room && !b.full {
		b.full = true
		b.over()
	}
	return len(p), nil
}
