package httplink

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptrace"
	"net/url"
	"strconv"
	"sync"
	"time"

	"spillway/actions"
	"spillway/actions/link"
)

const (
	largest     = 1 << 20     // bytes of an answer
	longestRest = time.Minute // that Retry-After is heeded for
)

// Open opens a link of url http://host/base/ or https://host/base/. It implements [link.Opener].
func Open(spec actions.Link, points []*actions.Point) (link.Link, error) {
	where, err := base(spec)
	if err != nil {
		return nil, err
	}
	if err := checkHeaders(spec.Headers); err != nil {
		return nil, &link.Error{Class: link.Impossible, What: "link " + spec.Name, Err: err}
	}
	c, err := newClients(spec)
	if err != nil {
		return nil, &link.Error{Class: link.Impossible, What: "link " + spec.Name, Err: err}
	}
	l := &httpLink{spec: spec, base: where, clients: c, gate: link.NewGate(), decoders: map[actions.Ref]*link.Decoder{}}
	for _, p := range points {
		if err := l.check(p); err != nil {
			return nil, err
		}
		if p.Read == nil {
			continue
		}
		if l.decoders[p.Ref], err = link.NewDecoder(p, p.Read.Pick); err != nil {
			return nil, err
		}
	}
	l.open, l.close = context.WithCancelCause(context.Background())
	return l, nil
}

var errClosed = errors.New("the link is closed")

type httpLink struct {
	spec     actions.Link
	base     *url.URL
	clients  clients
	gate     link.Gate
	decoders map[actions.Ref]*link.Decoder
	sessions link.Sessions
	open     context.Context // ends with the link
	close    context.CancelCauseFunc

	mu    sync.Mutex
	rest  time.Time // until when the box wants to be left alone
	last  answer
	asked uint64 // counts the exchanges begun

	waiting int // readings that wait for their turn
}

// An answer is the newest reading, for those who waited for the same.
type answer struct {
	key  string
	at   uint64 // the exchange it came from
	body []byte
}

// Write sends the command in one request.
func (l *httpLink) Write(ctx context.Context, p *actions.Point, v actions.Value) error {
	return l.Lend(ctx, p, v, link.Longest(p))
}

// Lend is Write with the term in the request, where the point's has a place for it. It implements [link.Lender].
func (l *httpLink) Lend(ctx context.Context, p *actions.Point, v actions.Value, t link.Term) error {
	if p.Write == nil {
		return bad(p, "it has no address to write to")
	}
	p = link.Termed(p, t)
	ctx, cancel := l.within(ctx)
	defer cancel()
	r, err := l.command(ctx, p, v)
	if err != nil {
		return err
	}
	what := r.Method + " " + shown(r.URL)
	if err := l.gate.Enter(ctx, what); err != nil {
		return err
	}
	defer l.gate.Leave()
	l.begin()
	if err := l.mayNot(what); err != nil {
		return err
	}
	_, err = l.exchange(l.clients.command, r, what, 4<<10)
	l.sessions.Note(err)
	return err
}

// Read asks for the point's value, or shares the answer to a question for the same that was asked since.
func (l *httpLink) Read(ctx context.Context, p *actions.Point) (actions.Value, error) {
	decode := l.decoders[p.Ref]
	if p.Read == nil || decode == nil {
		return actions.Value{}, bad(p, "it has no address to read from")
	}
	ctx, cancel := l.within(ctx)
	defer cancel()
	r, err := l.question(ctx, p)
	if err != nil {
		return actions.Value{}, err
	}
	body, err := l.ask(ctx, r, p)
	if err != nil {
		return actions.Value{}, err
	}
	return decode.Decode(body)
}

func (l *httpLink) ask(ctx context.Context, r *http.Request, p *actions.Point) ([]byte, error) {
	what := r.Method + " " + shown(r.URL)
	key := fmt.Sprint(r.Method, r.URL, p.Read.Headers, p.Read.Body)
	l.mu.Lock()
	since := l.asked
	l.waiting++
	l.mu.Unlock()
	err := l.gate.Enter(ctx, what)
	l.mu.Lock()
	last := l.last
	l.waiting--
	l.mu.Unlock()
	if err != nil {
		return nil, err
	}
	defer l.gate.Leave()
	if last.key == key && last.at > since {
		return last.body, nil
	}
	if err := l.mayNot(what); err != nil {
		return nil, err
	}
	at := l.begin()
	body, err := l.exchange(l.clients.reading, r, what, largest)
	l.sessions.Note(err)
	if err == nil {
		l.mu.Lock()
		l.last = answer{key, at, body}
		l.mu.Unlock()
	}
	return body, err
}

// begin counts an exchange and forgets the last answer.
func (l *httpLink) begin() uint64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.asked++
	l.last = answer{}
	return l.asked
}

// exchange sends r and returns the body of a 2xx, up to most bytes.
func (l *httpLink) exchange(c *http.Client, r *http.Request, what string, most int64) ([]byte, error) {
	connected := false
	ctx := httptrace.WithClientTrace(r.Context(), &httptrace.ClientTrace{GotConn: func(httptrace.GotConnInfo) { connected = true }})
	resp, err := c.Do(r.WithContext(ctx))
	if err != nil {
		return nil, l.noAnswer(r.Context(), what, connected, err)
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(io.LimitReader(resp.Body, most+1))
	if resp.StatusCode/100 != 2 {
		return nil, l.refusal(what, resp, body)
	}
	isReading := c == l.clients.reading
	switch {
	case isReading && err != nil:
		return nil, l.noAnswer(r.Context(), what, true, err)
	case isReading && int64(len(body)) > most:
		return nil, &link.Error{Class: link.Rubbish, What: fmt.Sprintf("%s: the answer is longer than %d bytes: %s", what, most, link.Sample(body[:200]))}
	}
	return body, nil
}

// noAnswer sorts a failed exchange. Before there was a connection, nothing was sent.
func (l *httpLink) noAnswer(ctx context.Context, what string, connected bool, err error) error {
	var wrapped *url.Error // repeats method and url, with its query
	if errors.As(err, &wrapped) {
		err = wrapped.Err
	}
	switch {
	case errors.Is(err, errElsewhere):
		return &link.Error{Class: link.Refused, What: what, Err: err}
	case l.open.Err() != nil:
		err = errClosed
	case ctx.Err() == context.DeadlineExceeded && !connected:
		err = fmt.Errorf("no connection within %s", link.Limit(l.spec))
	}
	if !connected {
		return &link.Error{Class: link.Unreachable, What: what, Err: err}
	}
	return link.NoAnswer(ctx, what, link.Limit(l.spec), err)
}

// refusal says why the box did not accept, and heeds Retry-After (RFC 9110, 10.2.3) in seconds.
func (l *httpLink) refusal(what string, resp *http.Response, body []byte) error {
	text := fmt.Sprintf("%s: %d %s", what, resp.StatusCode, http.StatusText(resp.StatusCode))
	switch resp.StatusCode {
	case http.StatusUnauthorized, http.StatusForbidden:
		text += " (mend user, password_file or token_file)"
	case http.StatusTooManyRequests, http.StatusServiceUnavailable:
		if s, err := strconv.Atoi(resp.Header.Get("Retry-After")); err == nil && s > 0 {
			rest := min(time.Duration(min(s, 3600))*time.Second, longestRest)
			text += fmt.Sprintf(" (it asks for %d s of rest)", s)
			l.mu.Lock()
			l.rest = time.Now().Add(rest)
			l.mu.Unlock()
		}
	}
	if resp.StatusCode/100 == 3 {
		text += " to " + link.Sample([]byte(resp.Header.Get("Location"))) + "; redirects are not followed here, put the right address in the link's url"
	} else if len(body) > 0 {
		text += ": " + link.Sample(body)
	}
	return &link.Error{Class: link.Refused, What: text}
}

// mayNot says why an exchange whose turn has come is not to be sent.
func (l *httpLink) mayNot(what string) error {
	if l.open.Err() != nil {
		return link.Closed(what)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if left := time.Until(l.rest); left > 0 {
		return &link.Error{Class: link.Unreachable, What: fmt.Sprintf("%s: not sent, the box asked for rest for another %s", what, left.Round(time.Second))}
	}
	return nil
}

// within bounds an exchange by its time and by the life of the link.
func (l *httpLink) within(ctx context.Context) (context.Context, context.CancelFunc) {
	ctx, cancel := link.Within(ctx, l.spec)
	stop := context.AfterFunc(l.open, cancel)
	return ctx, func() { stop(); cancel() }
}

// Session counts the times the box was lost and answered again.
func (l *httpLink) Session() uint64 { return l.sessions.Number() }

// Close gives up what is under way.
func (l *httpLink) Close() error {
	l.close(errClosed)
	l.gate <- struct{}{} // wait for the exchange under way, and admit no other
	l.clients.close()
	<-l.gate
	return nil
}

// shown is a url without its query, where keys and tokens may stand.
func shown(u *url.URL) string { return u.Scheme + "://" + u.Host + u.EscapedPath() }
