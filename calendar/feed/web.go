package feed

import (
	"context"
	"net/http"
	"time"

	"spillway/calendar"
)

// A source asks once for what there is. It changes nothing of last, the copy in force (its Body is nil where there is
// none), and gives a copy whose Body is last's own where nothing changed; Hash, Source and Good are the feed's to set.
// Problems are the members that could not be used. Where full is set nothing is taken as unchanged on the server's word.
type source interface {
	poll(ctx context.Context, last Saved, full bool, now time.Time) (Saved, []calendar.Problem, error)
	close()
}

// A web source is one calendar behind one address.
type web struct {
	spec   Spec
	client *client
}

func (w *web) close() { w.client.close() }

func (w *web) poll(ctx context.Context, last Saved, full bool, now time.Time) (Saved, []calendar.Problem, error) {
	header := http.Header{"Accept": {"text/calendar, */*;q=0.1"}}
	conditional := !full && setConditions(header, last)
	resp, err := w.client.do(ctx, http.MethodGet, header, nil)
	if err != nil {
		return Saved{}, nil, err
	}
	defer func() { _ = resp.Body.Close() }()
	switch {
	case resp.StatusCode == http.StatusNotModified && conditional:
		return unmodified(last, resp), nil, nil
	case resp.StatusCode != http.StatusOK:
		return Saved{}, nil, statusFault(resp, w.spec, now)
	}
	s, err := w.read(resp, last.Body)
	s.Full = now
	return s, nil, err
}

// setConditions asks for the body only if it changed. One condition is sent, the stronger: a server that is given both
// must go by If-None-Match (RFC 9110 13.2.2), and some go by the other.
func setConditions(h http.Header, last Saved) bool {
	switch {
	case last.Body == nil:
		return false
	case last.ETag != "":
		h.Set("If-None-Match", last.ETag)
	case last.LastModified != "":
		h.Set("If-Modified-Since", last.LastModified)
	default:
		return false
	}
	return true
}

// unmodified keeps the copy with the validators that came with the 304, which may be newer (RFC 9110 15.4.5).
func unmodified(last Saved, resp *http.Response) Saved {
	if tag := resp.Header.Get("ETag"); tag != "" {
		last.ETag = tag
	}
	return last
}

func (w *web) read(resp *http.Response, old []byte) (Saved, error) {
	if resp.ContentLength > w.spec.MaxBody {
		return Saved{}, tooBig(w.spec)
	}
	r, err := bodyOf(resp)
	if err != nil {
		return Saved{}, fault(err, "let the server send it plain or gzipped", "gave a body packed in an unknown way")
	}
	body, same, err := readBody(r, old, w.spec.MaxBody, resp.ContentLength)
	if err != nil {
		return Saved{}, bodyFault(err, w.spec)
	}
	if !same {
		if err := checkBody(body); err != nil {
			return Saved{}, bodyFault(err, w.spec)
		}
	}
	return Saved{
		Body:         body,
		Parts:        []Part{{Line: 1}},
		ETag:         resp.Header.Get("ETag"),
		LastModified: strongDate(resp.Header),
	}, nil
}

// strongDate gives Last-Modified where it can tell two bodies apart: it counts whole seconds, so a body may change again
// in the second in which it was sent (RFC 9110 8.8.2.2).
func strongDate(h http.Header) string {
	modified, err := http.ParseTime(h.Get("Last-Modified"))
	if err != nil {
		return ""
	}
	sent, err := http.ParseTime(h.Get("Date"))
	if err != nil || sent.Sub(modified) < time.Second {
		return ""
	}
	return h.Get("Last-Modified")
}
