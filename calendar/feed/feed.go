package feed

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"spillway/calendar"
)

const (
	fullEvery  = 24 * time.Hour // the whole is read at least so often, whatever the server says of changes
	touchEvery = time.Hour      // an unchanged copy is saved at least so often, for its time of the last good poll
)

// A Feed polls one source. It is safe for concurrent use; polls of one feed follow each other.
type Feed struct {
	spec    Spec
	options Options
	address address
	source  source
	network bool // waits grow after errors

	latest atomic.Pointer[Result]

	mu       sync.Mutex // over what follows, for the length of a poll
	last     Saved      // the last good copy; Body nil where there is none
	saved    Saved      // what the store holds of it, Body left out
	failures int        // in a row
	problems []calendar.Problem
	storeErr error
}

// A Result is what is known of a feed after a poll.
type Result struct {
	Feed string
	Body []byte // the copy in force, a stream that calendar.Read takes; nil where there never was one. Read-only
	Hash string // SHA-256 of Body in hex, "" where there is none. Equal hashes need no second parse
	// Unchanged: Body is the very bytes that the poll before gave. It is false for the first poll, also where the copy
	// is one from before a restart.
	Unchanged bool
	Parts     []Part    // the members Body is made of, in its order
	Polled    time.Time // when this poll was done; zero where there was none yet
	Good      time.Time // the last good poll; zero where there never was one
	Next      time.Time // when to poll again
	// Err is nil after a good poll, else an [*Error] (or the end of the caller's context). Body is then the last good copy.
	Err error
	// Problems are members of a folder or collection that could not be used in a good poll.
	Problems []calendar.Problem
	// StoreErr is why the copy could not be loaded or saved. It does not make a poll a failed one; saving is tried again
	// by the next poll.
	StoreErr error
}

// Age is how long ago the last good poll was, or 0 where there never was one; see Good. It is measured, never acted on.
func (r Result) Age(now time.Time) time.Duration {
	if r.Good.IsZero() {
		return 0
	}
	return max(now.Sub(r.Good), 0)
}

// Locate says which member of Body holds the line, counted from 1, and which line of the member it is. The name is ""
// where Body is one calendar.
func (r Result) Locate(line int) (name string, in int) {
	i, found := slices.BinarySearchFunc(r.Parts, line, func(p Part, line int) int { return p.Line - line })
	if !found {
		i--
	}
	if i < 0 {
		return "", line
	}
	return r.Parts[i].Name, line - r.Parts[i].Line + 1
}

// New makes a feed and takes its last good copy from the store. It dials nothing and reads no calendar; a copy that
// cannot be loaded is no error here but in Current's StoreErr.
func New(s Spec, o Options) (*Feed, error) {
	s, err := s.withDefaults()
	if err != nil {
		return nil, err
	}
	a, err := parseAddress(s.URL)
	if err != nil {
		return nil, fmt.Errorf("set up %s: %w (%s)", s.called(), err, s.key("url"))
	}
	if s.User == "" {
		s.User = a.user
	}
	if s.Token != "" && (s.User != "" || s.Password != "") {
		return nil, fmt.Errorf("set up %s: it has both a token and a user: keep one of token_file and user", s.called())
	}
	f := &Feed{spec: s, options: o.withDefaults(), address: a, network: a.kind != kindPath}
	if f.source, err = f.newSource(); err != nil {
		return nil, err
	}
	f.load()
	f.latest.Store(f.result(time.Time{}, nil, false))
	return f, nil
}

func (f *Feed) newSource() (source, error) {
	if f.address.kind == kindPath {
		return &disk{spec: f.spec, path: f.address.path}, nil
	}
	c, err := newClient(f.spec, f.address, f.options)
	if err != nil {
		return nil, err
	}
	if f.address.kind == kindDAV {
		return &dav{spec: f.spec, client: c}, nil
	}
	return &web{spec: f.spec, client: c}, nil
}

// load takes the copy from the store, if it was made of the same address.
func (f *Feed) load() {
	if f.options.Store == nil {
		return
	}
	s, ok, err := f.options.Store.Load(f.spec.Name)
	f.storeErr = err
	if err != nil || !ok || s.Source != f.spec.source() {
		return
	}
	f.last, f.saved = s, s
	f.saved.Body = nil
}

// Current returns what is known without asking: after New the copy from before the restart, if any, then what the last
// poll returned. It does not wait for a poll under way, and counts for nothing in Unchanged.
func (f *Feed) Current() Result { return *f.latest.Load() }

// Poll asks the source once, within Timeout, and returns what is in force after it. It does not wait for Next; when to
// poll is the caller's. A poll whose ctx ends is no failure of the source.
func (f *Feed) Poll(ctx context.Context) Result {
	f.mu.Lock()
	defer f.mu.Unlock()
	before := f.Current()
	began := f.options.Now()
	limited, cancel := context.WithTimeout(ctx, f.spec.Timeout)
	defer cancel()
	err := f.ask(limited, began)
	now := f.options.Now()
	switch {
	case err == nil:
		f.failures = 0
		f.last.Good = now.UTC()
		f.save(now)
	case ctx.Err() != nil:
		err = ctx.Err()
	default:
		f.failures++
		e := asError(err, f.spec)
		e.Feed, e.Where = f.spec.Name, f.address.shown()
		err = e
	}
	r := f.result(now, err, !before.Polled.IsZero() && before.Hash == f.last.Hash)
	f.latest.Store(r)
	return *r
}

// ask polls the source and takes over what it gives.
func (f *Feed) ask(ctx context.Context, now time.Time) error {
	full := f.last.Full.IsZero() || now.Sub(f.last.Full).Abs() >= fullEvery
	next, problems, err := f.source.poll(ctx, f.last, full, now)
	if err != nil {
		return err
	}
	next.Source, next.Hash = f.spec.source(), f.last.Hash
	if full {
		next.Full = now
	}
	if !sameBytes(next.Body, f.last.Body) {
		next.Hash = hashOf(next.Body)
		if err := f.options.Accept(next.Body); err != nil {
			return bodyFault(err, f.spec)
		}
	}
	f.last, f.problems = next, problems
	return nil
}

// sameBytes reports whether a and b are one and the same slice. Sources give back the old slice where nothing changed.
func sameBytes(a, b []byte) bool {
	return len(a) == len(b) && len(a) > 0 && &a[0] == &b[0]
}

// save brings the copy to the store where that is due. The copy in memory stays in force whatever becomes of it.
func (f *Feed) save(now time.Time) {
	if f.options.Store == nil {
		return
	}
	if f.last.same(f.saved) && now.Sub(f.saved.Good).Abs() < touchEvery {
		return
	}
	if f.storeErr = f.options.Store.Save(f.spec.Name, f.last); f.storeErr == nil {
		f.saved = f.last
		f.saved.Body = nil
	}
}

func (f *Feed) result(now time.Time, err error, unchanged bool) *Result {
	r := &Result{
		Feed:      f.spec.Name,
		Body:      f.last.Body,
		Hash:      f.last.Hash,
		Unchanged: unchanged,
		Parts:     f.last.Parts,
		Polled:    now.UTC(),
		Good:      f.last.Good,
		Err:       err,
		Problems:  f.problems,
		StoreErr:  f.storeErr,
	}
	if !now.IsZero() {
		r.Next = now.Add(f.wait(err)).UTC()
	}
	return r
}

func (f *Feed) wait(err error) time.Duration {
	e := (*Error)(nil)
	if !errors.As(err, &e) || !f.network {
		return f.spec.Poll
	}
	return backOff(f.spec.Poll, f.failures, e.after, f.options.Rand())
}

// Cautions are what a person should know of how the feed is set up, a line each, for check.
func (f *Feed) Cautions() []string {
	a, s := f.address, f.spec
	if a.kind != kindPath && a.url.Scheme == "http" && !isLocalName(a.url.Hostname()) && (s.User != "" || s.Token != "") {
		return []string{fmt.Sprintf("feed %s sends its password or token unencrypted to %s: write https:// or caldavs:// in %s",
			s.Name, a.url.Host, s.key("url"))}
	}
	return nil
}

// Close saves when the feed was last good and closes its idle connections. The feed may still be polled afterwards.
func (f *Feed) Close() error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.source.close()
	if f.options.Store == nil || f.last.Body == nil || f.last.Good.Equal(f.saved.Good) {
		return nil
	}
	if err := f.options.Store.Save(f.spec.Name, f.last); err != nil {
		return err
	}
	f.saved = f.last
	f.saved.Body = nil
	return nil
}
