package house

import (
	"context"
	"fmt"
	"net/url"
	"time"

	"github.com/eclipse/paho.golang/autopaho"
	"github.com/eclipse/paho.golang/paho"
)

// A hub is the broker that the gateways are on, from their side.
type hub interface {
	publish(m Message) error
	dropClients()
	address() string // as a URL
	close() error
}

// uplinkWait bounds what a gateway waits for a broker of somebody else's.
const uplinkWait = 5 * time.Second

// An uplink has the gateways on a broker that is not the house's own, as one of its clients. When the broker comes back
// after it was away, the gateways tell everything anew, as real ones do.
type uplink struct {
	url  string
	conn *autopaho.ConnectionManager
	stop context.CancelFunc
}

// dialBroker connects the gateways and returns once they hear commands. Heard is called for each message, connected after
// each connection.
func dialBroker(ctx context.Context, at string, heard func(topic, payload string), connected func()) (*uplink, error) {
	u, err := url.Parse(at)
	if err != nil {
		return nil, fmt.Errorf("the broker's address: %w", err)
	}
	ctx, stop := context.WithCancel(ctx)
	l := &uplink{url: at, stop: stop}
	ready := make(chan struct{}, 1)
	l.conn, err = autopaho.NewConnection(ctx, autopaho.ClientConfig{
		ServerUrls:                    []*url.URL{u},
		KeepAlive:                     30,
		CleanStartOnInitialConnection: true,
		ConnectTimeout:                uplinkWait,
		ReconnectBackoff:              func(int) time.Duration { return 50 * time.Millisecond },
		OnConnectionUp: func(conn *autopaho.ConnectionManager, _ *paho.Connack) {
			// Commands come with four levels, such as barn/battery/mode/set. Where subscribing fails, the connection is
			// over, and the next one subscribes.
			limit, cancel := context.WithTimeout(ctx, uplinkWait)
			defer cancel()
			if _, err := conn.Subscribe(limit, &paho.Subscribe{Subscriptions: []paho.SubscribeOptions{{Topic: "+/+/+/set", QoS: 1}}}); err != nil {
				return
			}
			connected()
			select {
			case ready <- struct{}{}:
			default:
			}
		},
		ClientConfig: paho.ClientConfig{
			ClientID: "gateways",
			OnPublishReceived: []func(paho.PublishReceived) (bool, error){func(r paho.PublishReceived) (bool, error) {
				heard(r.Packet.Topic, string(r.Packet.Payload))
				return true, nil
			}},
		},
	})
	if err != nil {
		stop()
		return nil, fmt.Errorf("connect the gateways: %w", err)
	}
	select {
	case <-ready:
		return l, nil
	case <-time.After(uplinkWait):
		_ = l.close()
		return nil, fmt.Errorf("connect the gateways: no broker at %s", at)
	}
}

// publish tells the broker. What it does not hear it is told when it is back.
func (l *uplink) publish(m Message) error {
	ctx, cancel := context.WithTimeout(context.Background(), uplinkWait)
	defer cancel()
	if _, err := l.conn.Publish(ctx, &paho.Publish{Topic: m.Topic, Payload: []byte(m.Payload), Retain: true}); err != nil {
		return fmt.Errorf("publish %s: %w", m.Topic, err)
	}
	return nil
}

// dropClients does nothing: the broker is somebody else's.
func (l *uplink) dropClients() {}

func (l *uplink) address() string { return l.url }

func (l *uplink) close() error {
	l.stop()
	<-l.conn.Done()
	return nil
}
