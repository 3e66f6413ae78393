package ocpp

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"sync"
	"time"

	"github.com/coder/websocket"

	"spillway/actions"
	"spillway/actions/link"
)

const (
	lively = 45 * time.Second // between pings, by which a dead conversation is found
	fresh  = 5 * time.Second  // meter values younger than this are not asked for again
	beat   = time.Minute      // how long ago a profile starts

	patience = 3 * time.Second // for the first word of a charger
)

// ocppLink is the link to one charger: at most one conversation, and what was seen in it.
type ocppLink struct {
	hub   *Hub
	spec  actions.Link
	where where
	name  string // for messages
	door  *door
	wg    sync.WaitGroup

	mu      sync.Mutex
	talk    *talk // nil while the charger is away
	seen    *seen
	able    abilities
	lost    string // why it is away
	session uint64
	asked   time.Time // when meter values were asked for
	closed  bool
}

func newLink(h *Hub, spec actions.Link, w where) *ocppLink {
	return &ocppLink{hub: h, spec: spec, where: w, name: "ocpp://" + w.address + "/" + w.station, seen: newSeen(), lost: "the charger has not come yet"}
}

// pointName returns which of the five points p is.
func pointName(p *actions.Point) string {
	for _, a := range []*actions.Address{p.Read, p.Write} {
		if a != nil && a.Path != "" {
			return a.Path
		}
	}
	return p.Ref.Point
}

func (l *ocppLink) check(p *actions.Point) error {
	switch name := pointName(p); name {
	case "plugged", "power", "energy":
		if p.Write != nil {
			return bad(p, "%s can only be read", name)
		}
	case "charging", "current":
	default:
		return bad(p, "a charger has the points plugged, charging, current, power and energy, not %q", name)
	}
	return nil
}

// welcome holds a conversation with the charger that has come, and ends the one before.
func (l *ocppLink) welcome(w http.ResponseWriter, r *http.Request) {
	ws, err := websocket.Accept(w, r, &websocket.AcceptOptions{Subprotocols: []string{"ocpp2.0.1", "ocpp1.6"}})
	if err != nil {
		l.knocked("a charger came without a WebSocket")
		return
	}
	var d dialect
	switch ws.Subprotocol() {
	case "ocpp2.0.1":
		d = &v201{evse: l.where.connector}
	case "ocpp1.6":
		d = newV16(l.where.connector)
	default:
		l.knocked("a charger came that speaks neither OCPP 1.6 nor 2.0.1")
		_ = ws.Close(websocket.StatusProtocolError, "ocpp1.6 or ocpp2.0.1") // it may take seconds to say goodbye
		return
	}
	t := newTalk(ws, d, l.name, link.Limit(l.spec))
	s := newSeen()
	if !l.begin(t, s) {
		t.close(errors.New("the link is closed"))
		return
	}
	defer l.wg.Done()
	l.wg.Go(func() { l.learn(t, s) })
	l.wg.Go(func() { t.ping() })
	err = t.listen(func(action string, payload json.RawMessage) (any, *callError) { return d.obey(s, action, payload) })
	t.close(err)
	l.ended(t, err)
}

// begin makes t the conversation of the link, unless the link is closed. The caller then owes l.wg a Done.
func (l *ocppLink) begin(t *talk, s *seen) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return false
	}
	if l.talk != nil {
		l.talk.close(errors.New("the charger came again"))
	}
	l.talk, l.seen, l.able = t, s, abilities{level: 1}
	l.session++
	l.wg.Add(1)
	return true
}

func (l *ocppLink) ended(t *talk, err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.talk != t {
		return
	}
	l.talk, l.seen = nil, newSeen()
	l.lost = "the charger is gone"
	var closed websocket.CloseError
	switch {
	case errors.Is(err, websocket.ErrMessageTooBig):
		l.lost = fmt.Sprintf("the charger sent a message of more than %d bytes", largest)
	case err != nil && !errors.As(err, &closed):
		l.lost += ": " + err.Error()
	}
}

// knocked notes that someone came and was not let in.
func (l *ocppLink) knocked(why string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.talk == nil {
		l.lost = why
	}
}

// learn asks a charger that has come what it can do and how it stands. The first word is the charger's: until its
// BootNotification is answered it may take no calls (2.0.1 Part 2, B01).
func (l *ocppLink) learn(t *talk, s *seen) {
	first := time.NewTimer(patience)
	defer first.Stop()
	select {
	case <-t.spoke:
	case <-first.C:
	case <-t.over.Done():
		return
	}
	able := t.dialect.ask(t.over, t, s)
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.talk == t {
		l.able = able
	}
}

// ping finds a conversation that is dead without having ended.
func (t *talk) ping() {
	ticker := time.NewTicker(lively)
	defer ticker.Stop()
	for {
		select {
		case <-t.over.Done():
			return
		case <-ticker.C:
		}
		ctx, cancel := context.WithTimeout(t.over, lively)
		err := t.ws.Ping(ctx)
		cancel()
		if err != nil {
			t.close(errors.New("it does not answer pings"))
			return
		}
	}
}

// now returns the conversation and what was seen in it, or an error where there is none.
func (l *ocppLink) now(what string) (*talk, *seen, abilities, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closed {
		return nil, nil, abilities{}, link.Closed(what)
	}
	if l.talk == nil {
		why := l.lost
		if fault := l.door.trouble(); fault != "" {
			why = fault
		}
		return nil, nil, abilities{}, &link.Error{Class: link.Unreachable, What: what, Err: errors.New(why)}
	}
	return l.talk, l.seen, l.able, nil
}

// Session counts the charger's conversations.
func (l *ocppLink) Session() uint64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.session
}

// Close ends the conversation. Limits that were lent end by themselves.
func (l *ocppLink) Close() error {
	l.mu.Lock()
	already := l.closed
	l.closed = true
	talk := l.talk
	l.mu.Unlock()
	if already {
		return nil
	}
	if talk != nil {
		talk.close(errors.New("the link is closed"))
	}
	l.hub.leave(l)
	l.wg.Wait()
	return nil
}

func bad(p *actions.Point, format string, args ...any) error {
	return &link.Error{Class: link.Impossible, What: fmt.Sprintf("%s: ", p.Ref) + fmt.Sprintf(format, args...)}
}
