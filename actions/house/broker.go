package house

import (
	"bytes"
	"fmt"
	"log/slog"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// A broker is the MQTT broker that the gateways are on. It lets everyone in: it listens on loopback only.
type broker struct {
	server *mqtt.Server
	addr   string
}

func startBroker(heard func(topic, payload string)) (*broker, error) {
	server := mqtt.New(&mqtt.Options{InlineClient: true, Logger: slog.New(slog.DiscardHandler)})
	if err := server.AddHook(&ear{heard: heard}, nil); err != nil {
		return nil, fmt.Errorf("prepare broker: %w", err)
	}
	tcp := listeners.NewTCP(listeners.Config{ID: "loopback", Address: "127.0.0.1:0"})
	if err := server.AddListener(tcp); err != nil {
		return nil, fmt.Errorf("listen for broker: %w", err)
	}
	if err := server.Serve(); err != nil {
		return nil, fmt.Errorf("start broker: %w", err)
	}
	return &broker{server: server, addr: tcp.Address()}, nil
}

// publish tells the clients, and those that come later.
func (b *broker) publish(m Message) error {
	if err := b.server.Publish(m.Topic, []byte(m.Payload), true, 0); err != nil {
		return fmt.Errorf("publish %s: %w", m.Topic, err)
	}
	return nil
}

// dropClients throws every client off, as a restart would.
func (b *broker) dropClients() {
	for _, client := range b.server.Clients.GetByListener("loopback") {
		_ = b.server.DisconnectClient(client, packets.ErrServerShuttingDown) // it returns the reason that it was given
	}
}

func (b *broker) address() string { return "mqtt://" + b.addr }

func (b *broker) close() error { return b.server.Close() }

// An ear hears every message before it is acknowledged, so that a command with QoS 1 has reached its gateway once its
// sender knows that it was sent.
type ear struct {
	mqtt.HookBase
	heard func(topic, payload string)
}

// ID names the hook.
func (*ear) ID() string { return "gateways" }

// Provides says what the hook wants to be asked.
func (*ear) Provides(b byte) bool {
	return bytes.IndexByte([]byte{mqtt.OnConnectAuthenticate, mqtt.OnACLCheck, mqtt.OnPublish}, b) >= 0
}

// OnConnectAuthenticate lets everyone in.
func (*ear) OnConnectAuthenticate(*mqtt.Client, packets.Packet) bool { return true }

// OnACLCheck lets everyone do everything.
func (*ear) OnACLCheck(*mqtt.Client, string, bool) bool { return true }

// OnPublish passes on what clients say.
func (e *ear) OnPublish(c *mqtt.Client, p packets.Packet) (packets.Packet, error) {
	if !c.Net.Inline {
		e.heard(p.TopicName, string(p.Payload))
	}
	return p, nil
}
