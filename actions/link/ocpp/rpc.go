package ocpp

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"sync"
	"time"

	"github.com/coder/websocket"

	"spillway/actions/link"
)

// Message types (OCPP-J 1.6, 4.2; OCPP 2.0.1 Part 4, 4.2).
const (
	typeCall   = 2
	typeResult = 3
	typeError  = 4
)

// largest is the most bytes of one message.
const largest = 256 << 10

// A frame is one message of the remote procedure call.
type frame struct {
	kind    int
	id      string
	action  string          // of a call
	payload json.RawMessage // of a call or a result
	code    string          // of an error
	text    string
}

// parseFrame reads [2, id, action, payload], [3, id, payload] or [4, id, code, text, details].
func parseFrame(b []byte) (frame, error) {
	var parts []json.RawMessage
	if err := json.Unmarshal(b, &parts); err != nil {
		return frame{}, errors.New("it is no JSON array")
	}
	var f frame
	if len(parts) < 3 || json.Unmarshal(parts[0], &f.kind) != nil || json.Unmarshal(parts[1], &f.id) != nil || f.id == "" {
		return frame{}, errors.New("it has no type and id")
	}
	ok := false
	switch f.kind {
	case typeCall:
		ok = len(parts) == 4 && json.Unmarshal(parts[2], &f.action) == nil && f.action != ""
		f.payload = parts[len(parts)-1]
	case typeResult:
		ok = len(parts) == 3
		f.payload = parts[2]
	case typeError:
		ok = json.Unmarshal(parts[2], &f.code) == nil && (len(parts) < 4 || json.Unmarshal(parts[3], &f.text) == nil)
	}
	if !ok {
		return frame{}, fmt.Errorf("it is none of the messages of type %d", f.kind)
	}
	return f, nil
}

// A callError is the answer to a call that cannot be obeyed.
type callError struct{ code, text string }

// talk is one conversation with a charger.
type talk struct {
	ws      *websocket.Conn
	dialect dialect
	name    string // of the link, for messages
	limit   time.Duration
	gate    link.Gate // one call at a time (OCPP-J 1.6, 4.1.1)
	over    context.Context
	end     context.CancelCauseFunc
	spoke   chan struct{} // closed once the charger has called and was answered

	mu      sync.Mutex
	number  int
	waiting map[string]chan frame
}

func newTalk(ws *websocket.Conn, d dialect, name string, limit time.Duration) *talk {
	t := &talk{ws: ws, dialect: d, name: name, limit: limit, gate: link.NewGate(), waiting: map[string]chan frame{}, spoke: make(chan struct{})}
	t.over, t.end = context.WithCancelCause(context.Background())
	ws.SetReadLimit(largest)
	return t
}

// call sends one call and reads its result into out. The error is a [*link.Error].
func (t *talk) call(ctx context.Context, action string, payload, out any) error {
	what := t.name + ": " + action
	if err := t.gate.Enter(ctx, what); err != nil {
		return err
	}
	defer t.gate.Leave()
	if t.over.Err() != nil {
		return &link.Error{Class: link.Unreachable, What: what + ": not sent", Err: context.Cause(t.over)}
	}
	t.mu.Lock()
	t.number++
	id, answer := "s"+strconv.Itoa(t.number), make(chan frame, 1)
	t.waiting[id] = answer
	t.mu.Unlock()
	defer func() {
		t.mu.Lock()
		delete(t.waiting, id)
		t.mu.Unlock()
	}()
	if err := t.send([]any{typeCall, id, action, payload}); err != nil {
		return &link.Error{Class: link.Unknown, What: what, Err: err}
	}
	select {
	case f := <-answer:
		return read(f, what, out)
	case <-t.over.Done():
		return &link.Error{Class: link.Unknown, What: what, Err: context.Cause(t.over)}
	case <-ctx.Done():
		return link.NoAnswer(ctx, what, t.limit, ctx.Err())
	}
}

func read(f frame, what string, out any) error {
	if f.kind == typeError {
		return &link.Error{Class: link.Refused, What: fmt.Sprintf("%s: the charger answers %s", what, link.Sample([]byte(f.code+" "+f.text)))}
	}
	if err := json.Unmarshal(f.payload, out); err != nil {
		return &link.Error{Class: link.Rubbish, What: fmt.Sprintf("%s: the charger answers %s", what, link.Sample(f.payload)), Err: err}
	}
	return nil
}

// send writes one message. It takes its own time, because the library ends the connection with a context that ends.
func (t *talk) send(message []any) error {
	b, err := json.Marshal(message)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(t.over, t.limit)
	defer cancel()
	return t.ws.Write(ctx, websocket.MessageText, b)
}

// listen reads messages until the conversation is over and answers calls by obey. It returns why it ended.
func (t *talk) listen(obey func(action string, payload json.RawMessage) (any, *callError)) error {
	broken, spoke := 0, sync.OnceFunc(func() { close(t.spoke) })
	for {
		kind, b, err := t.ws.Read(t.over)
		if errors.Is(err, io.EOF) {
			err = errors.New("the charger hung up")
		}
		if err != nil {
			return err
		}
		f, err := parseFrame(b)
		if kind != websocket.MessageText {
			err = errors.New("it is a binary message, and OCPP is JSON text") // text frames: RFC 6455, 5.6
		}
		if err != nil {
			if broken++; broken > 10 {
				return fmt.Errorf("the charger sends %s: %w", link.Sample(b), err)
			}
			continue
		}
		switch f.kind {
		case typeCall:
			if err := t.answer(f, obey); err != nil {
				return err
			}
			spoke()
		default:
			t.mu.Lock()
			answer := t.waiting[f.id] // nil for an answer that is too late
			delete(t.waiting, f.id)
			t.mu.Unlock()
			if answer != nil {
				answer <- f
			}
		}
	}
}

func (t *talk) answer(f frame, obey func(string, json.RawMessage) (any, *callError)) error {
	result, failure := obey(f.action, f.payload)
	if failure != nil {
		return t.send([]any{typeError, f.id, failure.code, failure.text, struct{}{}})
	}
	return t.send([]any{typeResult, f.id, result})
}

// close ends the conversation.
func (t *talk) close(why error) {
	t.end(why)
	_ = t.ws.CloseNow()
}
