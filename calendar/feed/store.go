package feed

import (
	"slices"
	"time"
)

// Saved is the last good copy of a source and what is needed to ask whether it still holds.
type Saved struct {
	Source       string    `json:"source"` // which address it was made of, as a hash
	Body         []byte    `json:"-"`      // a stream of whole calendars; read-only
	Hash         string    `json:"hash"`   // SHA-256 of Body, hex
	Parts        []Part    `json:"parts"`  // in the order of Body
	ETag         string    `json:"etag,omitempty"`
	LastModified string    `json:"last_modified,omitempty"`
	SyncToken    string    `json:"sync_token,omitempty"` // of a collection (RFC 6578 4)
	CTag         string    `json:"ctag,omitempty"`       // of a collection (calendarserver.org getctag)
	Listing      string    `json:"listing,omitempty"`    // hash of a collection's entity tags, where it has neither
	From         time.Time `json:"from,omitzero"`        // the range a collection was asked for, [From, To)
	To           time.Time `json:"to,omitzero"`
	Good         time.Time `json:"good"` // the last good poll
	Full         time.Time `json:"full"` // the last poll that read the whole
}

// A Part is one member of a body: a file of a folder, an object of a collection, or the whole.
type Part struct {
	Name  string `json:"name"`            // file name, or path of the object on its server; "" for the whole
	Start int    `json:"start"`           // offset of its first byte in the body
	Line  int    `json:"line"`            // number of its first line in the body, from 1
	Stamp string `json:"stamp,omitempty"` // tells whether a file changed; "" where that cannot be trusted
}

// A Store keeps last good copies over restarts, by the name of the feed.
type Store interface {
	// Load returns what was saved, or false where nothing was. What is damaged is an error, and no copy.
	Load(name string) (Saved, bool, error)
	// Save keeps s: when it returns nil, a restart of the program finds s; when it returns an error, a restart finds
	// what was saved before. After a loss of power either may be found, whole. It keeps no hold of s.Body.
	Save(name string, s Saved) error
}

// same reports whether s needs no saving where o has been saved, the times of polls left aside.
func (s Saved) same(o Saved) bool {
	return s.Source == o.Source && s.Hash == o.Hash && s.ETag == o.ETag && s.LastModified == o.LastModified &&
		s.SyncToken == o.SyncToken && s.CTag == o.CTag && s.Listing == o.Listing && s.From.Equal(o.From) &&
		s.To.Equal(o.To) && slices.Equal(s.Parts, o.Parts)
}
