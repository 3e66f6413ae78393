package page

import (
	"fmt"
	"net/http"
	"time"
)

const (
	mostLive  = 24               // live connections at once
	liveEvery = 30 * time.Second // an event at least, so that "in 5 min" stays true
	liveLeast = time.Second      // and none sooner than this after the last
)

// events tells a browser that there is something newer to fetch (server-sent events, WHATWG HTML 9.2). The event says no
// more than that: the page itself is made in one place.
func (p *Page) events(w http.ResponseWriter, r *http.Request, v visitor) {
	select {
	case p.live <- struct{}{}:
		defer func() { <-p.live }()
	default:
		w.Header().Set("Retry-After", "60")
		p.refuse(w, r, http.StatusServiceUnavailable, "Too many pages are live.", "This one does without: reload it.")
		return
	}
	w.Header().Set("Content-Type", "text/event-stream")
	out := http.NewResponseController(w)
	_, newer := p.opt.State.Snapshot()
	if !p.sendEvent(w, out, "retry: 5000\n\n") {
		return
	}
	for {
		select {
		case <-r.Context().Done():
			return
		case <-newer:
		case <-time.After(liveEvery):
		}
		if p.keeper.Locked() && !v.bearer && !p.keeper.sessions.valid(v.cookie) {
			return // logged out, or too long ago
		}
		_, newer = p.opt.State.Snapshot()
		if !p.sendEvent(w, out, "event: newer\ndata: 1\n\n") {
			return
		}
		select {
		case <-r.Context().Done():
			return
		case <-time.After(liveLeast):
		}
	}
}

// sendEvent writes and flushes, and moves the server's write limit on: it is meant for answers that end.
func (p *Page) sendEvent(w http.ResponseWriter, out *http.ResponseController, text string) bool {
	if err := out.SetWriteDeadline(time.Now().Add(2 * liveEvery)); err != nil {
		p.log.Debug("a live page cannot be kept: " + err.Error())
		return false
	}
	if _, err := fmt.Fprint(w, text); err != nil {
		return false
	}
	return out.Flush() == nil
}
