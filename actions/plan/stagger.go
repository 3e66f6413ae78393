package plan

import (
	"crypto/sha256"
	"encoding/binary"
	"time"
)

// stagger returns how much later than its event a window's statements start: a part of its procedure's stagger that is the
// same for these premises and this window every time, and differs from one premises to the next, so that many of them do
// not start in the same second. Of a short window no more than half is given up.
func (p *planner) stagger(w *window) time.Duration {
	span := min(w.proc.Stagger, w.End.Sub(w.Start)/2)
	if span <= 0 {
		return 0
	}
	sum := sha256.Sum256([]byte(w.ID + "\x00" + p.identity()))
	part := float64(binary.BigEndian.Uint64(sum[:8])>>11) / (1 << 53)
	return time.Duration(part * float64(span)).Truncate(time.Second)
}

// identity returns what sets the premises apart: what was given, else what they consist of.
func (p *planner) identity() string {
	if p.premises.Identity != "" {
		return p.premises.Identity
	}
	id := ""
	for i := range p.premises.Links {
		id += p.premises.Links[i].Name + " " + p.premises.Links[i].URL + "\n"
	}
	for i := range p.premises.Devices {
		id += p.premises.Devices[i].Name + "\n"
	}
	return id
}
