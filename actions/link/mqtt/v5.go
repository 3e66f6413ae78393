package mqtt

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/eclipse/paho.golang/packets"
	"github.com/eclipse/paho.golang/paho"

	"spillway/actions/link"
)

// keepAlive is how often the broker hears of us at least.
const keepAlive = 30 * time.Second

// talk5 is a conversation in MQTT 5.
type talk5 struct {
	client *paho.Client
	broker *broker
	ending
}

// greet5 connects over g. The library is used without its connection manager, which keeps a session and a queue across
// connections and cannot change the version.
func greet5(ctx context.Context, g *guard, b *broker, hear func(string, []byte)) (conversation, error) {
	t := &talk5{broker: b, ending: newEnding()}
	t.client = paho.NewClient(paho.ClientConfig{
		Conn:          g,
		PacketTimeout: b.limit,
		OnPublishReceived: []func(paho.PublishReceived) (bool, error){func(r paho.PublishReceived) (bool, error) {
			hear(r.Packet.Topic, r.Packet.Payload)
			return true, nil
		}},
		OnServerDisconnect: func(d *paho.Disconnect) {
			t.finish(fmt.Errorf("the broker ended the connection: %s", disconnectReason(d)))
		},
		OnClientError: t.finish,
	})
	ack, err := t.client.Connect(ctx, connect5(b))
	switch {
	case err == nil:
		return t, nil
	case g.connack() == 2: // the short CONNACK of 3.1.1
		return nil, fmt.Errorf("%w: it answers in 3.1.1", errVersion)
	case ack == nil:
		return nil, err
	case ack.ReasonCode == packets.ConnackUnsupportedProtocolVersion:
		return nil, fmt.Errorf("%w: it says so", errVersion)
	}
	return nil, fmt.Errorf("the broker refuses the login: %s", reason(ack.ReasonCode, ack.Properties.ReasonString))
}

func connect5(b *broker) *paho.Connect {
	most, few := uint32(largest), uint16(64)
	c := &paho.Connect{
		ClientID:   b.clientID,
		CleanStart: true,
		KeepAlive:  uint16(keepAlive / time.Second),
		Properties: &paho.ConnectProperties{MaximumPacketSize: &most, ReceiveMaximum: &few},
	}
	if b.user != "" {
		c.UsernameFlag, c.Username = true, b.user
	}
	if b.password != "" {
		c.PasswordFlag, c.Password = true, []byte(b.password)
	}
	if b.status != "" {
		c.WillMessage = &paho.WillMessage{Topic: b.status, Payload: []byte("offline"), QoS: 1, Retain: true}
		c.WillProperties = &paho.WillProperties{}
	}
	return c
}

func (t *talk5) publish(ctx context.Context, m message) error {
	p := &paho.Publish{Topic: m.topic, Payload: []byte(m.body), Retain: m.retain, QoS: m.qos}
	if !m.retain {
		seconds := uint32((t.broker.expiry + time.Second - 1) / time.Second)
		p.Properties = &paho.PublishProperties{MessageExpiry: &seconds}
	}
	ack, err := t.client.Publish(ctx, p)
	switch {
	case ack != nil && ack.ReasonCode >= 0x80:
		text := ""
		if ack.Properties != nil {
			text = ack.Properties.ReasonString
		}
		return &link.Error{Class: link.Refused, What: fmt.Sprintf("%s: %s", m.what, reason(ack.ReasonCode, text))}
	case errors.Is(err, paho.ErrInvalidArguments):
		return &link.Error{Class: link.Impossible, What: m.what, Err: err}
	case err != nil:
		return link.NoAnswer(ctx, m.what, t.broker.limit, err)
	}
	return nil
}

// subscribe asks for all topics in packets of a hundred.
func (t *talk5) subscribe(ctx context.Context, topics []string) (map[string]string, error) {
	refused := map[string]string{}
	for len(topics) > 0 {
		some := topics[:min(100, len(topics))]
		topics = topics[len(some):]
		s := &paho.Subscribe{}
		for _, topic := range some {
			s.Subscriptions = append(s.Subscriptions, paho.SubscribeOptions{Topic: topic, QoS: 0})
		}
		ack, err := t.client.Subscribe(ctx, s)
		if ack == nil {
			return nil, err
		}
		if len(ack.Reasons) != len(some) {
			return nil, fmt.Errorf("the broker answers %d topics with %d reasons", len(some), len(ack.Reasons))
		}
		for i, code := range ack.Reasons {
			if code >= 0x80 {
				refused[some[i]] = reason(code, "")
			}
		}
	}
	return refused, nil
}

func (t *talk5) close() {
	_ = t.client.Disconnect(&paho.Disconnect{}) // a lost connection cannot be told
}

func disconnectReason(d *paho.Disconnect) string {
	text := ""
	if d.Properties != nil {
		text = d.Properties.ReasonString
	}
	if d.ReasonCode == packets.DisconnectSessionTakenOver {
		return "another client took over the client_id; give each its own"
	}
	return reason(d.ReasonCode, text)
}

// reason says a reason code (MQTT 5.0, 2.4) in words, with what the broker adds.
func reason(code byte, text string) string {
	word, ok := map[byte]string{
		0x80: "unspecified error", 0x81: "malformed packet", 0x82: "protocol error", 0x83: "it says why to itself",
		0x84: "unsupported protocol version", 0x85: "the client_id is not valid", 0x86: "bad user name or password",
		0x87: "not authorized", 0x88: "the server is not available", 0x89: "the server is busy", 0x8a: "banned",
		0x8b: "the server is shutting down", 0x8c: "bad authentication method", 0x8d: "keep alive timeout",
		0x8e: "session taken over", 0x8f: "the topic filter is not valid", 0x90: "the topic name is not valid",
		0x93: "receive maximum exceeded", 0x95: "packet too large", 0x96: "message rate too high", 0x97: "quota exceeded",
		0x99: "the payload format is not valid", 0x9a: "retain is not supported", 0x9b: "this qos is not supported",
		0x9c: "use another server", 0x9d: "server moved", 0x9f: "connection rate exceeded",
	}[code]
	if !ok {
		word = fmt.Sprintf("reason 0x%02x", code)
	}
	if text = strings.TrimSpace(text); text != "" {
		word += " (" + link.Sample([]byte(text)) + ")"
	}
	return word
}
