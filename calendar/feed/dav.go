package feed

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"path"
	"slices"
	"strings"
	"time"

	"spillway/calendar"
)

// rangeMargin is how much more than Back and Ahead a collection is asked for: a day since the clock moves on until the
// whole is read again, and a day for all-day events, which a server may place in a zone of its own.
const rangeMargin = 48 * time.Hour

// A dav source is a CalDAV collection. It asks for the collection's tokens (one small PROPFIND) and, only where they
// changed, for the events in range (one REPORT). A server without tokens is asked for the entity tags in range instead.
//
// go-webdav reads objects through a decoder that refuses the whole answer for one bad object and keeps the bytes of
// none, and asks for no tokens of a calendar; so these two requests are ours. It serves to find calendars, in discover.go.
type dav struct {
	spec   Spec
	client *client
}

func (d *dav) close() { d.client.close() }

func (d *dav) poll(ctx context.Context, last Saved, full bool, now time.Time) (Saved, []calendar.Problem, error) {
	state, err := d.state(ctx, now)
	if err != nil {
		return Saved{}, nil, err
	}
	covered := last.Body != nil && !full && last.covers(now.Add(-d.spec.Back), now.Add(d.spec.Ahead))
	if covered && state.unchanged(last) {
		last.SyncToken, last.CTag = state.syncToken, state.ctag
		return last, nil, nil
	}
	next := Saved{SyncToken: state.syncToken, CTag: state.ctag, From: last.From, To: last.To}
	if !covered {
		next.From = now.Add(-d.spec.Back - rangeMargin).UTC().Truncate(time.Second)
		next.To = now.Add(d.spec.Ahead + rangeMargin).UTC().Truncate(time.Second)
	}
	if next.SyncToken == "" && next.CTag == "" {
		if next.Listing, err = d.listing(ctx, next.From, next.To, now); err != nil {
			return Saved{}, nil, err
		}
		if covered && next.Listing != "" && next.Listing == last.Listing {
			return last, nil, nil
		}
	}
	next.Full = now
	problems, err := d.read(ctx, &next, last, now)
	return next, problems, err
}

// covers reports whether the copy was asked for the range.
func (s Saved) covers(from, to time.Time) bool {
	return !s.From.IsZero() && !s.From.After(from) && !s.To.Before(to)
}

// unchanged reports whether either token says that nothing changed since last. RFC 6578 4: the sync-token property is
// what a sync-collection report would give, so an equal one means an empty report. Some servers put the time into one
// of the two; the other still tells.
func (r davResponse) unchanged(last Saved) bool {
	return r.syncToken != "" && r.syncToken == last.SyncToken || r.ctag != "" && r.ctag == last.CTag
}

const stateRequest = `<?xml version="1.0" encoding="utf-8"?>
<propfind xmlns="DAV:" xmlns:S="http://calendarserver.org/ns/"><prop><resourcetype/><sync-token/><S:getctag/></prop></propfind>`

// state asks what the address is and for its tokens (RFC 4918 9.1, RFC 6578 4).
func (d *dav) state(ctx context.Context, now time.Time) (davResponse, error) {
	var got *davResponse
	err := d.ask(ctx, "PROPFIND", "0", stateRequest, now, func(r davResponse) error {
		if got == nil || r.calendar && !got.calendar {
			got = &r
		}
		return nil
	})
	var gone *Error
	switch {
	case errors.As(err, &gone) && (gone.status == http.StatusNotFound || gone.status == http.StatusGone):
		gone.Cure = d.elsewhere(ctx, gone.Cure)
		return davResponse{}, gone
	case err != nil:
		return davResponse{}, err
	case got == nil:
		return davResponse{}, bodyFault(fmt.Errorf("it has no response: %w", errXML), d.spec)
	case !got.calendar:
		return davResponse{}, fault(nil, d.instead(ctx), "is no calendar collection")
	}
	return *got, nil
}

const timeForm = "20060102T150405Z"

// queryRequest asks for the events that overlap [from, to), whole (RFC 4791 7.8, 9.9).
func queryRequest(prop string, from, to time.Time) string {
	return `<?xml version="1.0" encoding="utf-8"?>
<C:calendar-query xmlns="DAV:" xmlns:C="urn:ietf:params:xml:ns:caldav"><prop><getetag/>` + prop + `</prop><C:filter>` +
		`<C:comp-filter name="VCALENDAR"><C:comp-filter name="VEVENT"><C:time-range start="` + from.UTC().Format(timeForm) +
		`" end="` + to.UTC().Format(timeForm) + `"/></C:comp-filter></C:comp-filter></C:filter></C:calendar-query>`
}

// listing gives a hash of which objects are in range and their entity tags, or "" where the server gives none.
func (d *dav) listing(ctx context.Context, from, to, now time.Time) (string, error) {
	lines := []string{}
	whole := true
	err := d.ask(ctx, "REPORT", "1", queryRequest("", from, to), now, func(r davResponse) error {
		whole = whole && r.etag != ""
		lines = append(lines, r.href+"\t"+r.etag+"\n")
		return partial(r)
	})
	if err != nil || !whole {
		return "", err
	}
	slices.Sort(lines)
	sum := sha256.New()
	for _, line := range lines {
		_, _ = io.WriteString(sum, line)
	}
	return hex.EncodeToString(sum.Sum(nil)), nil
}

// read asks for the objects in range and joins them, by address, to the body of next.
func (d *dav) read(ctx context.Context, next *Saved, last Saved, now time.Time) ([]calendar.Problem, error) {
	var pieces []piece
	err := d.ask(ctx, "REPORT", "1", queryRequest("<C:calendar-data/>", next.From, next.To), now, func(r davResponse) error {
		pieces = append(pieces, objectPiece(r))
		return partial(r)
	})
	if err != nil {
		return nil, err
	}
	slices.SortStableFunc(pieces, func(a, b piece) int { return strings.Compare(a.name, b.name) })
	pieces = slices.CompactFunc(pieces, func(a, b piece) bool { return a.name == b.name })
	var problems []calendar.Problem
	next.Body, next.Parts, problems, err = assemble(last.Body, last.members(), pieces)
	if err != nil {
		return nil, bodyFault(err, d.spec)
	}
	return problems, nil
}

// partial refuses an answer that says it is not the whole of it, as RFC 6352 8.6.2 and RFC 6578 3.6 put it: taken for
// the whole, it would end windows.
func partial(r davResponse) error {
	if r.status == http.StatusInsufficientStorage {
		return fault(nil, "ask whoever runs the server to allow larger answers", "gave only some of its events")
	}
	return nil
}

func objectPiece(r davResponse) piece {
	p := piece{name: objectName(r.href), body: r.data}
	switch {
	case r.status/100 > 2:
		p.err = fmt.Errorf("the server answered %d for it", r.status)
	case r.data == nil:
		p.err = fmt.Errorf("the server gave no calendar-data for it")
	default:
		p.err = checkBody(r.data)
	}
	if p.err != nil {
		p.body = nil
	}
	return p
}

// objectName is the path of an object, whether its server writes it alone or as a whole address (RFC 4918 8.3).
func objectName(href string) string {
	u, err := url.Parse(href)
	if err != nil {
		return oneLine(href)
	}
	return path.Clean("/" + u.Path)
}

// ask sends one request with an XML body and reads the multistatus it is answered with.
func (d *dav) ask(ctx context.Context, method, depth, body string, now time.Time, each func(davResponse) error) error {
	header := http.Header{
		"Content-Type": {"application/xml; charset=utf-8"},
		"Depth":        {depth},
		"Accept":       {"application/xml, text/xml"},
	}
	resp, err := d.client.do(ctx, method, header, []byte(body))
	if err != nil {
		return err
	}
	defer func() { _ = resp.Body.Close() }()
	switch resp.StatusCode {
	case http.StatusMultiStatus:
	case http.StatusOK, http.StatusMethodNotAllowed, http.StatusNotImplemented:
		return fault(nil, "write https:// (or webcal://) in "+d.spec.key("url")+" if it is a plain .ics address",
			"speaks no CalDAV: it answered %d to %s", resp.StatusCode, method)
	default:
		return statusFault(resp, d.spec, now)
	}
	r, err := bodyOf(resp)
	if err != nil {
		return fault(err, "let the server send it plain or gzipped", "gave a body packed in an unknown way")
	}
	return bodyFault(readMultistatus(&capped{r: r, left: d.spec.MaxBody}, each), d.spec)
}

// A capped reader gives ErrTooBig once more than left bytes have come.
type capped struct {
	r    io.Reader
	left int64
}

func (c *capped) Read(p []byte) (int, error) {
	n, err := c.r.Read(p)
	if c.left -= int64(n); c.left < 0 {
		return 0, ErrTooBig
	}
	return n, err
}
