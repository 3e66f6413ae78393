package mqtt

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"time"

	paho3 "github.com/eclipse/paho.mqtt.golang"
	packets3 "github.com/eclipse/paho.mqtt.golang/packets"

	"spillway/actions/link"
)

// talk3 is a conversation in MQTT 3.1.1.
type talk3 struct {
	client paho3.Client
	broker *broker
	ending
}

// greet3 connects over g. The library's own reconnecting is off: it would send unacknowledged commands again.
func greet3(ctx context.Context, g *guard, b *broker, hear func(string, []byte)) (conversation, error) {
	t := &talk3{broker: b, ending: newEnding()}
	o := paho3.NewClientOptions().
		AddBroker("tcp://" + b.address).
		SetProtocolVersion(4).
		SetClientID(b.clientID).SetUsername(b.user).SetPassword(b.password).
		SetCleanSession(true).SetAutoReconnect(false).SetConnectRetry(false).
		SetKeepAlive(keepAlive).SetPingTimeout(b.limit).SetConnectTimeout(b.limit).SetWriteTimeout(b.limit).
		SetCustomOpenConnectionFn(func(*url.URL, paho3.ClientOptions) (net.Conn, error) { return g, nil }).
		SetDefaultPublishHandler(func(_ paho3.Client, m paho3.Message) { hear(m.Topic(), m.Payload()) }).
		SetConnectionLostHandler(func(_ paho3.Client, err error) { t.finish(err) })
	if b.status != "" {
		o.SetWill(b.status, "offline", 1, true)
	}
	t.client = paho3.NewClient(o)
	hangUp := context.AfterFunc(ctx, func() { _ = g.Close() })
	token := t.client.Connect()
	<-token.Done() // bounded by the connect timeout
	hangUp()
	switch err := token.Error(); {
	case ctx.Err() != nil && err != nil:
		return nil, ctx.Err()
	case err == nil:
		return t, nil
	case errors.Is(err, packets3.ErrorRefusedBadProtocolVersion):
		return nil, fmt.Errorf("%w: it says so", errVersion)
	case g.connack() > 0:
		return nil, fmt.Errorf("the broker refuses the login: %w", err)
	default:
		return nil, err
	}
}

func (t *talk3) publish(ctx context.Context, m message) error {
	token := t.client.Publish(m.topic, m.qos, m.retain, m.body)
	select {
	case <-token.Done():
	case <-t.end:
		return &link.Error{Class: link.Unknown, What: m.what, Err: t.cause()}
	case <-ctx.Done():
		return link.NoAnswer(ctx, m.what, t.broker.limit, ctx.Err())
	}
	switch err := token.Error(); {
	case errors.Is(err, paho3.ErrNotConnected):
		return &link.Error{Class: link.Unreachable, What: m.what, Err: err}
	case err != nil:
		return link.NoAnswer(ctx, m.what, t.broker.limit, err)
	}
	return nil
}

func (t *talk3) subscribe(ctx context.Context, topics []string) (map[string]string, error) {
	refused := map[string]string{}
	for len(topics) > 0 {
		some := topics[:min(100, len(topics))]
		topics = topics[len(some):]
		filters := map[string]byte{}
		for _, topic := range some {
			filters[topic] = 0
		}
		token := t.client.SubscribeMultiple(filters, nil)
		select {
		case <-token.Done():
		case <-t.end:
			return nil, t.cause()
		case <-ctx.Done():
			return nil, ctx.Err()
		}
		result := token.(*paho3.SubscribeToken).Result()
		for topic, code := range result {
			if code == 0x80 { // MQTT 3.1.1, 3.9.3
				refused[topic] = "the broker says no"
			}
		}
		if err := token.Error(); err != nil && len(refused) == 0 {
			return nil, err
		}
	}
	return refused, nil
}

func (t *talk3) close() {
	t.client.Disconnect(uint(t.broker.limit / time.Millisecond))
	t.finish(errors.New("the link is closed"))
}
