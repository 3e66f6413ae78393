package journal

import (
	"context"
	"database/sql"
	"math"
	"strings"
	"time"

	"spillway/actions"
)

// A batch is the entries of one call to Write.
type batch struct {
	entries []actions.Entry
	done    bool // guarded by Journal.commit, like err
	err     error
}

// Write records the entries, all or none, and returns once they would survive a power cut; Standing has them then. On
// an error Standing is what it was, and the next call may succeed. A ctx that has ended writes nothing; one that ends
// later changes nothing any more.
func (j *Journal) Write(ctx context.Context, entries ...actions.Entry) error {
	if err := ctx.Err(); err != nil || len(entries) == 0 {
		return err
	}
	b := &batch{entries: Clean(entries)}
	j.queued.Lock()
	j.queue = append(j.queue, b)
	j.queued.Unlock()

	// Whoever gets the lock commits what all the others that wait for it have queued: one sync for many.
	j.commit.Lock()
	defer j.commit.Unlock()
	if !b.done {
		j.queued.Lock()
		group := j.queue
		j.queue = nil
		j.queued.Unlock()
		j.flush(group)
	}
	return b.err
}

// flush commits the batches together and, where that fails, each by itself, so that one that does not fit does not take
// the others with it.
func (j *Journal) flush(group []*batch) {
	var all []actions.Entry
	for _, b := range group {
		all = append(all, b.entries...)
	}
	err := j.record(all)
	for _, b := range group {
		b.done, b.err = true, err
		if err != nil && len(group) > 1 {
			b.err = j.record(b.entries)
		}
	}
}

// record commits the entries and then lets standing have them.
func (j *Journal) record(entries []actions.Entry) error {
	// Only holders of the commit lock change standing, so that it may be read here without its own lock.
	before := part(j.standing, entries)
	after := before.Clone()
	newest := j.newest
	var log logChanges
	for _, e := range entries {
		after.Apply(e)
		log.add(e, after)
		if e.At.After(newest) {
			newest = e.At
		}
	}
	c := compare(before, after)
	// The commit point. Before it a crash loses the entries, and nothing has been sent on them; after it they are kept,
	// though the caller may never hear.
	if err := inTx(context.Background(), j.w, func(tx *sql.Tx) error {
		return j.stmt.save(tx, c, log, newest)
	}); err != nil {
		return j.explain("write", err)
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	c.mergeInto(j.standing)
	j.newest = newest
	return nil
}

// Clean returns the entries in the form in which they read back from a disk: times in UTC without a monotonic reading
// and not after the year 9999, numbers that are finite (others are unknown), text that is valid UTF-8, no empty lists.
func Clean(entries []actions.Entry) []actions.Entry {
	out := make([]actions.Entry, len(entries))
	for i, e := range entries {
		e.At, e.Until, e.Step.At, e.Step.Due = cleanTime(e.At), cleanTime(e.Until), cleanTime(e.Step.At), cleanTime(e.Step.Due)
		for _, v := range []*actions.Value{&e.ReadBack, &e.Value, &e.Step.Value, &e.Step.From} {
			if math.IsNaN(v.Number) || math.IsInf(v.Number, 0) {
				*v = actions.Value{}
			}
			v.Name = strings.ToValidUTF8(v.Name, "\uFFFD")
		}
		e.Note, e.Step.Why = strings.ToValidUTF8(e.Note, "\uFFFD"), strings.ToValidUTF8(e.Step.Why, "\uFFFD")
		e.Holds = append([]string(nil), e.Holds...)
		out[i] = e
	}
	return out
}

// cleanTime keeps to the years that RFC 3339 can write.
func cleanTime(t time.Time) time.Time {
	t = t.Round(0).UTC()
	if t.Year() > 9999 {
		return time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC)
	}
	return t
}
