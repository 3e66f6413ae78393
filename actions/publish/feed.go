package publish

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"time"

	"spillway/actions"
	"spillway/calendar"
)

// A Store keeps small things over a restart. The journal is one.
type Store interface {
	// Get returns what was put under key, and false where nothing was.
	Get(ctx context.Context, key string) ([]byte, bool, error)
	// Put keeps value under key; it is durable when it returns.
	Put(ctx context.Context, key string, value []byte) error
}

// A Rendering is the published calendar as bytes. It is never changed.
type Rendering struct {
	Body         []byte
	ETag         string // strong (RFC 9110 8.8.3), quoted
	LastModified time.Time
	Entries      []Stamped // what Body holds
}

// Calendar returns entries as the published calendar is made of them. changed is when they changed last.
func Calendar(entries []calendar.Entry, zone *time.Location, changed time.Time) calendar.Publication {
	return calendar.Publication{
		ProdID:  "-//Spillway//Plan//EN",
		Name:    "Spillway plan",
		Text:    "What will be done, and what was. Last change " + dayAndClock(changed.In(cmp.Or(zone, time.UTC))) + ".",
		Refresh: fetched,
		Entries: entries,
	}
}

// A Feed keeps the published calendar up to date, in both details. It is safe for concurrent use.
type Feed struct {
	store Store

	mu    sync.RWMutex
	views map[string]view // by detail
}

// A view is the calendar in one detail. Changed and Entries are kept in the store.
type view struct {
	Changed   time.Time
	Entries   []Stamped
	rendering *Rendering
}

// Open returns the feed as the store remembers it: its sequences go on where they ended. The zone is that of its text.
func Open(ctx context.Context, store Store, zone *time.Location) (*Feed, error) {
	f := &Feed{store: store, views: map[string]view{}}
	for _, detail := range []string{Phases, Steps} {
		b, found, err := store.Get(ctx, key(detail))
		if err != nil {
			return nil, err
		}
		if !found {
			continue
		}
		var v view
		if err := json.Unmarshal(b, &v); err != nil {
			return nil, fmt.Errorf("read published plan: %w", err)
		}
		if v.rendering, err = render(v, zone); err != nil {
			return nil, err
		}
		f.views[detail] = v
	}
	return f, nil
}

func key(detail string) string { return "publish/" + detail }

// Update renders the plan anew where its entries changed, in each detail, and reports whether any did. Where the store
// fails the new calendar is published all the same, and the error returned: a full disk is when people want to read it.
func (f *Feed) Update(ctx context.Context, plan *actions.Plan, log []actions.StepStanding, premises *actions.Premises, opt Options) (changed bool, err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for _, detail := range []string{Phases, Steps} {
		opt.Detail = detail
		old := f.views[detail]
		v := view{Changed: old.Changed}
		var moved bool
		next := Entries(plan, log, premises, opt)
		if opt.CreditsUnknown {
			next = append(next, keepCredits(old.Entries)...)
		}
		v.Entries, moved = Revise(old.Entries, next, opt.Now)
		if !moved && old.rendering != nil {
			continue
		}
		v.Changed = actions.Later(v.Changed, opt.Now.UTC().Truncate(time.Second))
		var failed error
		if v.rendering, failed = render(v, cmp.Or(opt.Zone, premises.Zone)); failed != nil {
			err = errors.Join(err, failed)
			continue
		}
		f.views[detail], changed = v, true
		err = errors.Join(err, f.save(ctx, detail, v))
	}
	return changed, err
}

func (f *Feed) save(ctx context.Context, detail string, v view) error {
	b, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("keep published plan: %w", err)
	}
	return f.store.Put(ctx, key(detail), b)
}

// Rendering returns the calendar as it is published now in a detail (Phases also for ""); nil before the first update.
func (f *Feed) Rendering(detail string) *Rendering {
	f.mu.RLock()
	defer f.mu.RUnlock()
	return f.views[cmp.Or(detail, Phases)].rendering
}

func render(v view, zone *time.Location) (*Rendering, error) {
	entries := make([]calendar.Entry, len(v.Entries))
	for i, s := range v.Entries {
		entries[i] = s.Entry
	}
	body, err := calendar.Encode(Calendar(entries, zone, v.Changed))
	if err != nil {
		return nil, fmt.Errorf("publish plan: %w", err)
	}
	sum := sha256.Sum256(body)
	return &Rendering{Body: body, ETag: `"` + hex.EncodeToString(sum[:]) + `"`, LastModified: v.Changed, Entries: v.Entries}, nil
}
