package publish

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"spillway/actions"
	"spillway/calendar"
)

// A Collection is a CalDAV collection (RFC 4791) that holds the plan, one resource for each entry. It belongs to the
// plan: an entry that someone edits there is written over at its next change. Not safe for concurrent use.
type Collection struct {
	Client   *http.Client // with a timeout
	URL      string       // of the collection, http(s)
	User     string
	Password actions.Secret
	Token    actions.Secret // bearer, in place of user and password
	Store    Store          // remembers what is there
}

// A resource is what is known of one entry in the collection.
type resource struct {
	Hash string // of the content that was put
	ETag string // that the server gave it; "" where it gives none
}

// Sync puts the entries that changed and deletes those that are gone, and reports how many of each. It goes on after an
// entry that the server refuses, and ends at one that it does not answer; the error tells of the first. What was done is
// remembered.
func (c *Collection) Sync(ctx context.Context, entries []Stamped) (put, deleted int, err error) {
	have, err := c.load(ctx)
	if err != nil {
		return 0, 0, err
	}
	var refused int
	fault := func(e error) (stop bool) {
		if e == nil {
			return false
		}
		if refused++; err == nil {
			err = e
		}
		return !errors.As(e, new(*statusError))
	}
	wanted := map[string]bool{}
	stop := false
	for _, s := range entries {
		wanted[s.Entry.UID] = true
		old, known := have[s.Entry.UID]
		if stop || known && old.Hash == s.Hash {
			continue
		}
		etag, e := c.put(ctx, s.Entry, old.ETag, known)
		if stop = fault(e); e == nil {
			have[s.Entry.UID] = resource{s.Hash, etag}
			put++
		}
	}
	for _, uid := range sortedKeys(have) {
		if stop || wanted[uid] {
			continue
		}
		e := c.delete(ctx, uid)
		if stop = fault(e); e == nil {
			delete(have, uid)
			deleted++
		}
	}
	if put+deleted > 0 {
		if e := c.save(ctx, have); err == nil {
			err = e
		}
	}
	if refused > 1 {
		err = fmt.Errorf("%w (and %d more)", err, refused-1)
	}
	return put, deleted, err
}

// put writes one entry. The conditions keep it from taking the place of something it does not know; where the server
// holds another version of this very resource, that one is looked at and then replaced.
func (c *Collection) put(ctx context.Context, e calendar.Entry, etag string, known bool) (string, error) {
	body, err := calendar.Encode(calendar.Publication{ProdID: "-//Spillway//Plan//EN", Entries: []calendar.Entry{e}})
	if err != nil {
		return "", err
	}
	condition := http.Header{"If-None-Match": {"*"}}
	if known {
		condition = ifMatch(etag)
	}
	resp, err := c.do(ctx, http.MethodPut, e.UID, body, condition)
	if isStatus(err, http.StatusPreconditionFailed) {
		if resp, err = c.do(ctx, http.MethodHead, e.UID, nil, nil); err != nil && !isStatus(err, http.StatusNotFound) {
			return "", err
		}
		condition = http.Header{"If-None-Match": {"*"}} // it was deleted there meanwhile
		if err == nil {
			condition = ifMatch(resp.Get("ETag"))
		}
		resp, err = c.do(ctx, http.MethodPut, e.UID, body, condition)
	}
	if err != nil {
		return "", err
	}
	if tag := resp.Get("ETag"); tag != "" {
		return tag, nil
	}
	// RFC 4791 5.3.4: a server that changed what it was given sends no ETag with its answer.
	if resp, err = c.do(ctx, http.MethodHead, e.UID, nil, nil); err != nil {
		return "", nil //nolint:nilerr // it was put; without an ETag the next change goes unconditionally
	}
	return resp.Get("ETag"), nil
}

func ifMatch(etag string) http.Header {
	if etag == "" {
		return nil
	}
	return http.Header{"If-Match": {etag}}
}

// delete takes an entry out, also one that was edited there: it is no longer planned.
func (c *Collection) delete(ctx context.Context, uid string) error {
	_, err := c.do(ctx, http.MethodDelete, uid, nil, nil)
	if isStatus(err, http.StatusNotFound) || isStatus(err, http.StatusGone) {
		return nil
	}
	return err
}

// A statusError is an answer other than 2xx.
type statusError struct {
	code int
	text string
}

func (e *statusError) Error() string { return e.text }

func isStatus(err error, code int) bool {
	var e *statusError
	return errors.As(err, &e) && e.code == code
}

func (c *Collection) do(ctx context.Context, method, uid string, body []byte, more http.Header) (http.Header, error) {
	sum := sha256.Sum256([]byte(uid))
	target := strings.TrimSuffix(c.URL, "/") + "/" + hex.EncodeToString(sum[:16]) + ".ics"
	req, err := http.NewRequestWithContext(ctx, method, target, bytes.NewReader(body))
	if err != nil {
		return nil, fmt.Errorf("publish to calendar: %w", err)
	}
	for k, v := range more {
		req.Header[k] = v
	}
	if body != nil {
		req.Header.Set("Content-Type", "text/calendar; charset=utf-8")
	}
	switch {
	case c.Token != "":
		req.Header.Set("Authorization", "Bearer "+string(c.Token))
	case c.User != "":
		req.SetBasicAuth(c.User, string(c.Password))
	}
	resp, err := c.Client.Do(req)
	if err != nil {
		return nil, fmt.Errorf("publish to calendar: %w", err)
	}
	defer func() { _ = resp.Body.Close() }() // what it says is not needed
	_, _ = io.Copy(io.Discard, io.LimitReader(resp.Body, 1<<16))
	if resp.StatusCode/100 != 2 {
		return nil, &statusError{resp.StatusCode, fmt.Sprintf("publish to calendar: %s %s: %s%s", method, shown(c.URL), resp.Status, cure(resp.StatusCode))}
	}
	return resp.Header, nil
}

func cure(status int) string {
	switch status {
	case http.StatusUnauthorized, http.StatusForbidden:
		return ": check user and password, and that this user may write there"
	case http.StatusNotFound, http.StatusConflict, http.StatusMethodNotAllowed:
		return ": check that the address is that of a calendar, and make it where it is missing"
	case http.StatusInsufficientStorage:
		return ": the server has no space left"
	}
	return ""
}

// shown is the address without what could be a secret in it.
func shown(address string) string {
	u, err := url.Parse(address)
	if err != nil {
		return "the calendar"
	}
	u.User, u.RawQuery = nil, ""
	return u.String()
}

func (c *Collection) key() string {
	sum := sha256.Sum256([]byte(c.URL))
	return "publish/caldav/" + hex.EncodeToString(sum[:8])
}

func (c *Collection) load(ctx context.Context) (map[string]resource, error) {
	have := map[string]resource{}
	b, found, err := c.Store.Get(ctx, c.key())
	if err != nil || !found {
		return have, err
	}
	if err := json.Unmarshal(b, &have); err != nil {
		return nil, fmt.Errorf("read what was published to the calendar: %w", err)
	}
	return have, nil
}

func (c *Collection) save(ctx context.Context, have map[string]resource) error {
	b, err := json.Marshal(have)
	if err != nil {
		return err
	}
	return c.Store.Put(context.WithoutCancel(ctx), c.key(), b)
}

func sortedKeys(m map[string]resource) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
