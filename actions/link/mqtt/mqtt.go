package mqtt

import (
	"context"
	"crypto/rand"
	"crypto/tls"
	"fmt"
	"net"
	"net/url"
	"strings"
	"sync"
	"time"

	"spillway/actions"
	"spillway/actions/link"
)

// Open opens a link of url mqtt://host:port or mqtts://host:port. It implements [link.Opener].
func Open(spec actions.Link, points []*actions.Point) (link.Link, error) {
	b, err := newBroker(spec)
	if err != nil {
		return nil, err
	}
	r, err := newReadings(points)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancel(context.Background())
	l := &mqttLink{broker: b, cancel: cancel, readings: r, refused: map[string]string{}}
	l.lost = &link.Error{Class: link.Unreachable, What: b.url + ": not connected yet"}
	l.wg.Go(func() { l.keep(ctx) })
	return l, nil
}

// A broker is where to connect, and as whom.
type broker struct {
	url      string // for messages
	address  string // host:port
	tls      *tls.Config
	clientID string
	user     string
	password string
	status   string // topic of the will; "" for none
	limit    time.Duration
	expiry   time.Duration // of a command at the broker, on MQTT 5
}

func newBroker(spec actions.Link) (*broker, error) {
	u, err := url.Parse(spec.URL)
	if err != nil || u.Hostname() == "" || u.User != nil || strings.Trim(u.Path, "/") != "" || u.RawQuery != "" {
		return nil, &link.Error{Class: link.Impossible, What: fmt.Sprintf("link %s: write its url as mqtt://host:1883 or mqtts://host:8883", spec.Name)}
	}
	b := &broker{
		url: u.Scheme + "://" + u.Host, user: spec.User, password: string(spec.Password), status: spec.StatusTopic,
		limit: link.Limit(spec), expiry: max(spec.Confirm, link.Limit(spec), time.Second),
	}
	port := "1883"
	if u.Scheme == "mqtts" {
		port = "8883"
		if b.tls, err = link.TLS(spec); err != nil {
			return nil, &link.Error{Class: link.Impossible, What: "link " + spec.Name, Err: err}
		}
		b.tls.ServerName = u.Hostname()
	} else if u.Scheme != "mqtt" {
		return nil, &link.Error{Class: link.Impossible, What: fmt.Sprintf("link %s: %q is no MQTT url", spec.Name, spec.URL)}
	}
	if u.Port() != "" {
		port = u.Port()
	}
	b.address = net.JoinHostPort(u.Hostname(), port)
	if strings.ContainsAny(b.status, "+#\x00") {
		return nil, &link.Error{Class: link.Impossible, What: fmt.Sprintf("link %s: the status topic %q has a wildcard", spec.Name, b.status)}
	}
	if b.clientID = spec.ClientID; b.clientID == "" {
		b.clientID = "spillway" + strings.ToLower(rand.Text()[:12]) // letters and digits, 23 at most (MQTT 3.1.1, 3.1.3.1)
	}
	return b, nil
}

// mqttLink is the link: at most one conversation at a time, and what was heard in it.
type mqttLink struct {
	broker *broker
	cancel context.CancelFunc
	wg     sync.WaitGroup

	mu       sync.Mutex
	talk     conversation // nil while there is none
	lost     error        // why there is none
	session  uint64       // counts conversations
	epoch    uint64       // counts their ends; what an ended one still delivers does not count
	readings *readings
	refused  map[string]string // topics the broker refuses to tell of, with its reason
}

// Write publishes the command once.
func (l *mqttLink) Write(ctx context.Context, p *actions.Point, v actions.Value) error {
	return l.Lend(ctx, p, v, link.Longest(p))
}

// Lend is Write with the term in the body, where the point's has a place for it. It implements [link.Lender].
func (l *mqttLink) Lend(ctx context.Context, p *actions.Point, v actions.Value, t link.Term) error {
	if p.Write == nil || p.Write.Topic == "" {
		return bad(p, "it has no topic to write to")
	}
	p = link.Termed(p, t)
	body, err := link.Body(p, v, p.Write.Body, false)
	if err != nil {
		return err
	}
	what := fmt.Sprintf("%s: publish on %s", l.broker.url, p.Write.Topic)
	if ctx.Err() != nil {
		return &link.Error{Class: link.Unreachable, What: what + ": given up before it was sent", Err: ctx.Err()}
	}
	l.mu.Lock()
	talk, lost := l.talk, l.lost
	l.mu.Unlock()
	if talk == nil {
		return lost
	}
	ctx, cancel := context.WithTimeout(ctx, l.broker.limit)
	defer cancel()
	return talk.publish(ctx, message{topic: p.Write.Topic, body: body, retain: p.Write.Retain, qos: p.Write.QoS, what: what})
}

// Read returns the newest value heard in this conversation.
func (l *mqttLink) Read(_ context.Context, p *actions.Point) (actions.Value, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	one := l.readings.byPoint[p.Ref]
	switch {
	case one == nil:
		return actions.Value{}, bad(p, "it has no topic to read from")
	case l.talk == nil:
		return actions.Value{}, l.lost
	case one.heard:
		return one.value, one.err
	}
	if why, ok := l.refused[one.topic]; ok {
		return actions.Value{}, &link.Error{Class: link.Refused, What: fmt.Sprintf("%s: subscribe to %s: %s", l.broker.url, one.topic, why)}
	}
	return actions.Value{}, &link.Error{Class: link.NotYet, What: fmt.Sprintf("%s: no message on %s since the connection began", l.broker.url, one.topic)}
}

// Session counts the connections.
func (l *mqttLink) Session() uint64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.session
}

// Close ends the conversation.
func (l *mqttLink) Close() error {
	l.cancel()
	l.wg.Wait()
	return nil
}
