package mqtt

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"syscall"
	"time"

	"spillway/actions/link"
)

// The wait before the next attempt to connect doubles from firstWait to longestWait, give or take a fifth so that a
// household of boxes does not return to its broker all at once. A conversation shorter than settled counts as a failed
// attempt: another client with the same id may be taking turns with us.
const (
	firstWait   = 500 * time.Millisecond
	longestWait = time.Minute
	settled     = 30 * time.Second
)

// A conversation is one connection to the broker, of either version.
type conversation interface {
	// publish sends m once. The error is a *link.Error.
	publish(ctx context.Context, m message) error
	// subscribe asks for topics and returns those refused, with the reason.
	subscribe(ctx context.Context, topics []string) (map[string]string, error)
	// done is closed when the conversation is over; cause then says why.
	done() <-chan struct{}
	cause() error
	// close says goodbye and ends every goroutine of the conversation.
	close()
}

// A message is one command.
type message struct {
	topic  string
	body   string
	retain bool
	qos    byte
	what   string // for errors
}

// What may mean that the broker speaks the other version.
var (
	errVersion = errors.New("the broker does not speak this version of MQTT")
	errSilent  = errors.New("the broker did not answer the greeting")
)

// keep holds a conversation until ctx ends.
func (l *mqttLink) keep(ctx context.Context) {
	version := 5
	for failures := 0; ; {
		if !pause(ctx, wait(failures)) {
			l.down(errors.New("the link is closed"))
			return
		}
		talk, found, err := l.connect(ctx, version)
		version = found
		if err != nil {
			failures++
			l.down(err)
			continue
		}
		began := time.Now()
		select {
		case <-talk.done():
			err = talk.cause()
		case <-ctx.Done():
			l.sayStatus(talk, "offline")
			err = errors.New("the link is closed")
		}
		l.down(err)
		talk.close()
		if failures++; time.Since(began) > settled {
			failures = 0
		}
	}
}

func wait(failures int) time.Duration {
	if failures == 0 {
		return 0
	}
	d := min(firstWait<<min(failures-1, 10), longestWait)
	return d - d/5 + rand.N(2*d/5)
}

func pause(ctx context.Context, d time.Duration) bool {
	if ctx.Err() != nil {
		return false
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// connect tries version, and the other one where the broker does not seem to know it. It returns the version to try
// next, with a conversation in which all topics are subscribed to.
func (l *mqttLink) connect(ctx context.Context, version int) (conversation, int, error) {
	talk, err := l.greet(ctx, version)
	if errors.Is(err, errVersion) {
		other := 8 - version // 5 or 3
		var second error
		if talk, second = l.greet(ctx, other); second == nil || !errors.Is(second, errVersion) {
			version, err = other, second
		}
	}
	if errors.Is(err, errSilent) {
		version = 8 - version // perhaps it takes no notice of what it does not know
	}
	if err != nil {
		return nil, version, err
	}
	subscribing, cancel := context.WithTimeout(ctx, l.broker.limit)
	defer cancel()
	refused, err := talk.subscribe(subscribing, l.readings.topics())
	if err != nil {
		talk.close()
		return nil, version, fmt.Errorf("subscribe: %w", err)
	}
	l.sayStatus(talk, "online")
	l.mu.Lock()
	l.talk, l.refused = talk, refused
	l.session++
	l.mu.Unlock()
	return talk, version, nil
}

// greet dials and exchanges CONNECT and CONNACK.
func (l *mqttLink) greet(ctx context.Context, version int) (conversation, error) {
	ctx, cancel := context.WithTimeout(ctx, l.broker.limit)
	defer cancel()
	conn, err := dial(ctx, l.broker)
	if err != nil {
		return nil, err
	}
	epoch := l.ends()
	g := newGuard(conn, l.broker.limit, func(topic string, length int) {
		l.note(epoch, func(r *readings) { r.passedOver(topic, length) })
	})
	hear := func(topic string, payload []byte) {
		l.note(epoch, func(r *readings) { r.hear(topic, payload) })
	}
	var talk conversation
	if version == 5 {
		talk, err = greet5(ctx, g, l.broker, hear)
	} else {
		talk, err = greet3(ctx, g, l.broker, hear)
	}
	if err != nil {
		_ = conn.Close()
		switch {
		case g.connack() > 0:
		case hungUp(err):
			err = fmt.Errorf("%w: it hung up", errVersion)
		case ctx.Err() == context.DeadlineExceeded:
			err = errSilent
		}
		return nil, err
	}
	return talk, nil
}

// hungUp reports whether the far end closed the connection, as brokers do that do not know what they were sent.
func hungUp(err error) bool {
	return errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) || errors.Is(err, syscall.ECONNRESET) || errors.Is(err, syscall.EPIPE)
}

func dial(ctx context.Context, b *broker) (net.Conn, error) {
	var d net.Dialer
	conn, err := d.DialContext(ctx, "tcp", b.address)
	if err != nil || b.tls == nil {
		return conn, err
	}
	t := tls.Client(conn, b.tls)
	if err := t.HandshakeContext(ctx); err != nil {
		_ = conn.Close()
		return nil, err
	}
	return t, nil
}

// down ends the conversation for the callers and forgets what was heard in it.
func (l *mqttLink) down(err error) {
	if err == nil {
		err = errors.New("the connection was lost")
	}
	if errors.Is(err, context.DeadlineExceeded) || errors.Is(err, os.ErrDeadlineExceeded) {
		err = fmt.Errorf("no answer within %s", l.broker.limit)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.epoch++
	l.talk, l.lost = nil, &link.Error{Class: link.Unreachable, What: l.broker.url + ": not connected", Err: err}
	l.readings.forget()
}

// ends counts the conversations that are over.
func (l *mqttLink) ends() uint64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.epoch
}

// note takes something heard in the conversation begun at epoch, unless it is over.
func (l *mqttLink) note(epoch uint64, take func(*readings)) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.epoch == epoch {
		take(l.readings)
	}
}

// sayStatus tells the status topic, where there is one, what the will would tell otherwise.
func (l *mqttLink) sayStatus(talk conversation, word string) {
	if l.broker.status == "" {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), min(l.broker.limit, 2*time.Second))
	defer cancel()
	// A status that cannot be told changes nothing for the devices.
	_ = talk.publish(ctx, message{topic: l.broker.status, body: word, retain: true, qos: 1, what: "publish the status"})
}
