package feed

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"net/http"
	"time"
)

// A Secret is a password or token. It prints as dots.
type Secret string

// String returns dots, or "" where there is no secret.
func (s Secret) String() string {
	if s == "" {
		return ""
	}
	return "••••"
}

// GoString keeps secrets out of %#v.
func (s Secret) GoString() string { return fmt.Sprintf("%q", s.String()) }

// MarshalText keeps secrets out of JSON.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// A Spec says which source to poll and how. Zero values are the defaults.
type Spec struct {
	Name     string        // of the feed in the configuration; "" for an address given on the command line
	URL      string        // http(s), webcal(s), caldav(s), file, or the path of a file or folder
	Poll     time.Duration // wait between polls, and the floor of every other wait; 5 minutes where 0
	User     string        // basic authentication (RFC 7617)
	Password Secret
	Token    Secret        // bearer authentication (RFC 6750), instead of User and Password
	CAFile   string        // PEM; the only authorities trusted, where given
	MaxBody  int64         // bytes after decompression; 64,000,000 where 0
	Timeout  time.Duration // of one whole poll; 1 minute where 0
	// Back and Ahead are how far before and after now a collection is asked for (RFC 4791 9.9); 7 and 35 days where 0.
	// Other sources give all they have.
	Back, Ahead time.Duration
}

// Options are what a feed needs of its surroundings. Zero values are the defaults.
type Options struct {
	Store     Store // keeps the last good copy over restarts; none where nil
	UserAgent string
	Now       func() time.Time // time.Now where nil
	Rand      func() float64   // in [0,1), spreads the waits after errors; math/rand/v2 where nil
	// Wrap, where set, goes round every exchange with a server, below authentication and redirects.
	Wrap func(http.RoundTripper) http.RoundTripper
	// Accept, where set, is asked before a changed body becomes the last good copy; its error makes the poll a failed
	// one. Empty, truncated and foreign bodies are refused before it is asked.
	Accept func(body []byte) error

	hooks hooks
}

const (
	defaultPoll    = 5 * time.Minute
	defaultTimeout = time.Minute
	defaultMaxBody = 64_000_000
	defaultBack    = 7 * 24 * time.Hour
	defaultAhead   = 35 * 24 * time.Hour
)

func (s Spec) withDefaults() (Spec, error) {
	if s.Poll < 0 || s.MaxBody < 0 || s.Timeout < 0 || s.Back < 0 || s.Ahead < 0 {
		return s, fmt.Errorf("set up %s: poll, timeout, max_body and range may not be negative", s.called())
	}
	s.Poll = or(s.Poll, defaultPoll)
	s.Timeout = or(s.Timeout, defaultTimeout)
	s.MaxBody = or(s.MaxBody, defaultMaxBody)
	s.Back = or(s.Back, defaultBack)
	s.Ahead = or(s.Ahead, defaultAhead)
	return s, nil
}

func (o Options) withDefaults() Options {
	if o.UserAgent == "" {
		o.UserAgent = "Spillway"
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Rand == nil {
		o.Rand = rand.Float64
	}
	if o.Wrap == nil {
		o.Wrap = func(t http.RoundTripper) http.RoundTripper { return t }
	}
	if o.Accept == nil {
		o.Accept = func([]byte) error { return nil }
	}
	return o
}

func or[T int64 | time.Duration](v, standard T) T {
	if v == 0 {
		return standard
	}
	return v
}

// key names a key of the feed in the configuration, for cures.
func (s Spec) key(name string) string {
	switch {
	case s.Name != "":
		return "feeds." + s.Name + "." + name
	case name == "url":
		return "the address"
	}
	return name + " of a feed in the configuration"
}

// called names the feed in a sentence.
func (s Spec) called() string {
	if s.Name == "" {
		return "the calendar"
	}
	return "feed " + s.Name
}

// again is the cure for what may pass by itself.
func (s Spec) again() string {
	if s.Name == "" {
		return "try again later"
	}
	return "the next poll tries again"
}

// source identifies what the copy was made of, so that a copy of another address is never taken for this one's. It is a
// hash because addresses of calendars are often secrets themselves.
func (s Spec) source() string {
	sum := sha256.Sum256([]byte(s.URL + "\n" + s.User))
	return hex.EncodeToString(sum[:16])
}
