package publish

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"spillway/actions"
	"spillway/calendar"
)

// KeepCancelled is how long an entry that is no longer planned stays, marked as cancelled, so that readers that fetch
// once a day see it go.
const KeepCancelled = 48 * time.Hour

// A Stamped is a published entry with what is needed to see whether it changed.
type Stamped struct {
	Entry calendar.Entry
	Hash  string    // of the content
	Gone  time.Time // when it was no longer planned; zero: it is
}

// Revise returns next with stamps: an entry whose content is that of prev keeps its sequence and its times, any other
// gets now and the next sequence (RFC 5545 3.8.7.2 to 3.8.7.4; DTSTAMP is the time of the revision, as for an entry without
// METHOD). An entry of prev that is not in next and not over stays for [KeepCancelled] as cancelled; problems, and what is
// over, go at once. The result is by start, then UID. changed is false where it is prev.
func Revise(prev []Stamped, next []calendar.Entry, now time.Time) (out []Stamped, changed bool) {
	now = now.UTC().Truncate(time.Second) // DTSTAMP holds no fractions (RFC 5545 3.3.5)
	known := make(map[string]Stamped, len(prev))
	for _, p := range prev {
		known[p.Entry.UID] = p
	}
	out = make([]Stamped, 0, len(next))
	for _, e := range next {
		old, was := known[e.UID]
		delete(known, e.UID)
		s := stamp(old, was, e, now)
		changed = changed || !was || s.Hash != old.Hash
		out = append(out, s)
	}
	for _, old := range known {
		s, keep := fade(old, now)
		changed = changed || !keep || s.Hash != old.Hash
		if keep {
			out = append(out, s)
		}
	}
	slices.SortFunc(out, func(a, b Stamped) int {
		return cmp.Or(a.Entry.Start.Compare(b.Entry.Start), cmp.Compare(a.Entry.UID, b.Entry.UID))
	})
	return out, changed
}

// stamp gives e the stamps of old, or new ones where the content differs.
func stamp(old Stamped, was bool, e calendar.Entry, now time.Time) Stamped {
	h := hash(e)
	e.Stamp, e.LastModified, e.Sequence = now, now, 0
	if was {
		e.Stamp, e.LastModified, e.Sequence = old.Entry.Stamp, old.Entry.LastModified, old.Entry.Sequence
		if h != old.Hash {
			// A clock that was set back must not make a newer revision look older.
			at := actions.Later(now, old.Entry.LastModified)
			e.Stamp, e.LastModified, e.Sequence = at, at, old.Entry.Sequence+1
		}
	}
	return Stamped{Entry: e, Hash: h}
}

// fade returns what becomes of an entry that is no longer planned.
func fade(old Stamped, now time.Time) (s Stamped, keep bool) {
	switch {
	case old.Gone.IsZero() && (!old.Entry.End.After(now) || slices.Contains(old.Entry.Categories, CategoryProblem)):
		return Stamped{}, false
	case !old.Gone.IsZero():
		return old, now.Before(old.Gone.Add(KeepCancelled))
	}
	e := old.Entry
	e.Cancelled = true
	e.Summary = "Cancelled: " + e.Summary // some readers show a cancelled entry like any other
	e.Alarms = nil
	s = stamp(old, true, e, now)
	s.Gone = now
	return s, true
}

// hash returns a hash of what a reader sees of e but for its stamps.
func hash(e calendar.Entry) string {
	e.Stamp, e.LastModified, e.Sequence = time.Time{}, time.Time{}, 0
	e.Start, e.End = e.Start.UTC(), e.End.UTC()
	b, err := json.Marshal(e)
	if err != nil {
		// A year that JSON cannot write. The text tells two entries apart just as well.
		b = fmt.Appendf(nil, "%+v", e)
	}
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:16])
}
