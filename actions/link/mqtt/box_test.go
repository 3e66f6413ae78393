package mqtt

import (
	"bytes"
	"crypto/tls"
	"errors"
	"io"
	"log/slog"
	"sync"
	"testing"
	"time"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"

	"spillway/actions"
	"spillway/actions/link"
	"spillway/actions/link/linktest"
)

// A box is a device behind a broker in this process, with a proxy before the broker.
type box struct {
	mochi.HookBase
	server  *mochi.Server
	address string // of the broker itself
	*linktest.Proxy
	old      bool   // the broker hangs up on MQTT 5
	password string // "" admits anyone
	user     string
	qos      byte
	stop     chan struct{}
	closed   sync.Once

	mu       sync.Mutex
	manner   linktest.Manner
	delay    time.Duration
	has      map[string]string
	commands int
	packets  []packets.Packet // the commands as they came
}

func newBox(t *testing.T, old bool) *box { return newSecureBox(t, old, nil) }

// newSecureBox puts TLS before the broker where tlsConfig is given.
func newSecureBox(t *testing.T, old bool, tlsConfig *tls.Config) *box {
	t.Helper()
	b := &box{old: old, qos: 1, stop: make(chan struct{}), manner: linktest.Accept, has: map[string]string{"number": "0", "named": "off"}}
	b.server = mochi.New(&mochi.Options{InlineClient: true, Logger: slog.New(slog.DiscardHandler)})
	if err := b.server.AddHook(b, nil); err != nil {
		t.Fatal(err)
	}
	l := listeners.NewTCP(listeners.Config{ID: "tcp", Address: "127.0.0.1:0", TLSConfig: tlsConfig})
	if err := b.server.AddListener(l); err != nil {
		t.Fatal(err)
	}
	if err := b.server.Serve(); err != nil {
		t.Fatal(err)
	}
	b.address = l.Address()
	var err error
	if b.Proxy, err = linktest.NewProxy(l.Address()); err != nil {
		t.Fatal(err)
	}
	b.tell("number")
	b.tell("named")
	return b
}

func (b *box) Spec() actions.Link {
	return actions.Link{Name: "barn", URL: "mqtt://" + b.Proxy.Addr(), Protocol: "mqtt", User: b.user, Password: actions.Secret(b.password)}
}

func (b *box) Points() (number, named *actions.Point) {
	number = &actions.Point{
		Ref:  actions.Ref{Device: "box", Point: "number"},
		Unit: "W", HasRange: true, Max: 5000,
		Write: &actions.Address{Topic: "box/number/set", QoS: b.qos},
		Read:  &actions.Address{Topic: "box/number"},
	}
	named = &actions.Point{
		Ref:    actions.Ref{Device: "box", Point: "named"},
		Values: []actions.NamedValue{{Name: "off", Wire: "off"}, {Name: "on", Wire: "on"}},
		Write:  &actions.Address{Topic: "box/named/set", QoS: b.qos},
		Read:   &actions.Address{Topic: "box/named"},
	}
	return number, named
}

func (b *box) Behave(m linktest.Manner, delay time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.manner, b.delay = m, delay
}

func (b *box) Put(p *actions.Point, v actions.Value) {
	wire, err := link.Wire(p, v)
	if err != nil {
		panic(err)
	}
	b.mu.Lock()
	b.has[p.Ref.Point] = link.Text(wire)
	endless := b.manner == linktest.Endless
	b.mu.Unlock()
	if endless {
		b.Proxy.Inject(func() io.Reader { return endlessMessage("box/" + p.Ref.Point) })
		return
	}
	b.tell(p.Ref.Point)
}

// endlessMessage is a PUBLISH at QoS 0 of the greatest length there is (MQTT 5.0, 1.5.5).
func endlessMessage(topic string) io.Reader {
	head := append([]byte{0x30, 0xff, 0xff, 0xff, 0x7f, 0, byte(len(topic))}, topic...)
	return io.MultiReader(bytes.NewReader(head), io.LimitReader(zeros{}, 268435455-2-int64(len(topic))))
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) { return len(p), nil }

// tell publishes the state, retained.
func (b *box) tell(name string) {
	b.mu.Lock()
	state := b.has[name]
	if b.manner == linktest.Rubbish {
		state = "<html>\r\n" + string(make([]byte, 5000))
	}
	b.mu.Unlock()
	if err := b.server.Publish("box/"+name, []byte(state), true, 0); err != nil {
		panic(err)
	}
}

func (b *box) Has(p *actions.Point) actions.Value {
	b.mu.Lock()
	defer b.mu.Unlock()
	d, err := link.NewDecoder(p, "")
	if err != nil {
		panic(err)
	}
	v, _ := d.Decode([]byte(b.has[p.Ref.Point]))
	return v
}

func (b *box) Commands() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.commands
}

func (b *box) Close() {
	b.closed.Do(func() {
		close(b.stop)
		b.Proxy.Close()
		_ = b.server.Close()
	})
}

// What follows is the broker's side.

func (b *box) ID() string { return "box" }

func (b *box) Provides(h byte) bool {
	return h == mochi.OnConnectAuthenticate || h == mochi.OnACLCheck || h == mochi.OnPublish || h == mochi.OnConnect
}

func (b *box) OnConnect(_ *mochi.Client, pk packets.Packet) error {
	if b.old && pk.ProtocolVersion == 5 {
		return errors.New("version 5 is not known here")
	}
	return nil
}

func (b *box) OnConnectAuthenticate(_ *mochi.Client, pk packets.Packet) bool {
	return string(pk.Connect.Username) == b.user && string(pk.Connect.Password) == b.password
}

func (b *box) OnACLCheck(_ *mochi.Client, topic string, write bool) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return topic != "secret" && (!write || b.manner != linktest.Refuse)
}

func (b *box) OnPublish(cl *mochi.Client, pk packets.Packet) (packets.Packet, error) {
	if cl.Net.Inline || (pk.TopicName != "box/number/set" && pk.TopicName != "box/named/set") {
		return pk, nil
	}
	b.mu.Lock()
	b.commands++
	b.packets = append(b.packets, pk)
	manner, delay := b.manner, b.delay
	b.mu.Unlock()
	switch manner {
	case linktest.Silent:
		return pk, packets.ErrRejectPacket
	case linktest.Lossy:
		return pk, packets.CodeSuccessIgnore
	case linktest.Late:
		select {
		case <-time.After(delay):
		case <-b.stop:
		}
	}
	name := map[string]string{"box/number/set": "number", "box/named/set": "named"}[pk.TopicName]
	b.mu.Lock()
	b.has[name] = string(pk.Payload)
	b.mu.Unlock()
	b.tell(name)
	return pk, nil
}
