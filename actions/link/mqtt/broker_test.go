package mqtt

import (
	"context"
	"crypto/rand"
	"io"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/link"
	"spillway/actions/link/linktest"
)

// TestBroker runs the conformance suite against a broker that is none of ours, at SPILLWAY_MQTT_URL, with
// SPILLWAY_MQTT_USER, _PASSWORD, _CA, _CERT and _KEY where it wants them. SPILLWAY_MQTT_VERSION is the version that must
// be found, 5 or 3.
func TestBroker(t *testing.T) {
	if os.Getenv("SPILLWAY_MQTT_URL") == "" {
		t.Skip("SPILLWAY_MQTT_URL is not set: no broker to test against")
	}
	traits := linktest.Traits{Hears: true, Cannot: map[linktest.Manner]string{
		linktest.Refuse: "a broker refuses by its access list, which the suite cannot change",
		linktest.Silent: "a broker acknowledges for the box",
		linktest.Late:   "a broker acknowledges for the box",
	}}
	if strings.HasPrefix(os.Getenv("SPILLWAY_MQTT_URL"), "mqtts") {
		traits.Cannot[linktest.Endless] = "nothing can be put between under TLS"
	}
	linktest.Run(t, Open, traits, func(t *testing.T) linktest.Peer { return newFarBox(t) })

	t.Run("version", func(t *testing.T) {
		b := newFarBox(t)
		defer b.Close()
		number, _ := b.Points()
		l := open(t, b.Spec(), number)
		reads(t, l, number, actions.Number(0))
		want := os.Getenv("SPILLWAY_MQTT_VERSION")
		if got := map[bool]string{true: "5", false: "3"}[l.(*mqttLink).speaks5()]; want != "" && got != want {
			t.Errorf("speaks version %s, want %s", got, want)
		}
	})
	t.Run("wrong password", func(t *testing.T) {
		if os.Getenv("SPILLWAY_MQTT_PASSWORD") == "" {
			t.Skip("the broker wants none")
		}
		b := newFarBox(t)
		defer b.Close()
		number, _ := b.Points()
		spec := b.Spec()
		spec.Password = "wrong"
		fails(t, open(t, spec, number), number, link.Unreachable, "refuses the login")
	})
}

func (l *mqttLink) speaks5() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	_, ok := l.talk.(*talk5)
	return ok
}

// A farBox is a device that speaks to a broker elsewhere, straight; the link under test goes through a proxy.
type farBox struct {
	spec   actions.Link
	prefix string
	*linktest.Proxy
	side conversation

	mu       sync.Mutex
	manner   linktest.Manner
	has      map[string]string
	commands int
	told     sync.WaitGroup
}

func newFarBox(t *testing.T) *farBox {
	t.Helper()
	b := &farBox{
		prefix: "test/" + rand.Text(), manner: linktest.Accept, has: map[string]string{"number": "0", "named": "off"},
		spec: actions.Link{
			Name: "barn", URL: os.Getenv("SPILLWAY_MQTT_URL"), User: os.Getenv("SPILLWAY_MQTT_USER"),
			Password: actions.Secret(os.Getenv("SPILLWAY_MQTT_PASSWORD")), CAFile: os.Getenv("SPILLWAY_MQTT_CA"),
			CertFile: os.Getenv("SPILLWAY_MQTT_CERT"), KeyFile: os.Getenv("SPILLWAY_MQTT_KEY"),
		},
	}
	where, err := newBroker(b.spec)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	conn, err := dial(ctx, where)
	if err != nil {
		t.Fatal(err)
	}
	greet := greet5
	if os.Getenv("SPILLWAY_MQTT_VERSION") == "3" {
		greet = greet3
	}
	if b.side, err = greet(ctx, newGuard(conn, where.limit, func(string, int) {}), where, b.hear); err != nil {
		t.Fatal(err)
	}
	if _, err := b.side.subscribe(ctx, []string{b.prefix + "/number/set", b.prefix + "/named/set"}); err != nil {
		t.Fatal(err)
	}
	if b.Proxy, err = linktest.NewProxy(where.address); err != nil {
		t.Fatal(err)
	}
	b.spec.URL = b.spec.URL[:strings.Index(b.spec.URL, "://")+3] + b.Proxy.Addr()
	b.tell("number", "0")
	b.tell("named", "off")
	return b
}

// hear takes a command. It answers on another goroutine, since the library calls it on the one that reads.
func (b *farBox) hear(topic string, payload []byte) {
	name := strings.TrimSuffix(strings.TrimPrefix(topic, b.prefix+"/"), "/set")
	b.mu.Lock()
	b.commands++
	lossy := b.manner == linktest.Lossy
	if !lossy {
		b.has[name] = string(payload)
	}
	b.mu.Unlock()
	if !lossy {
		b.told.Go(func() { b.tell(name, string(payload)) })
	}
}

func (b *farBox) tell(name, state string) {
	b.mu.Lock()
	if b.manner == linktest.Rubbish {
		state = "<html>"
	}
	b.mu.Unlock()
	b.publish(name, state)
}

func (b *farBox) publish(name, state string) {
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	if err := b.side.publish(ctx, message{topic: b.prefix + "/" + name, body: state, retain: true, qos: 1}); err != nil {
		panic(err)
	}
}

func (b *farBox) Spec() actions.Link { return b.spec }

func (b *farBox) Points() (number, named *actions.Point) {
	number, named = (&box{qos: 1}).Points()
	for _, p := range []*actions.Point{number, named} {
		p.Write.Topic = strings.Replace(p.Write.Topic, "box", b.prefix, 1)
		p.Read.Topic = strings.Replace(p.Read.Topic, "box", b.prefix, 1)
	}
	return number, named
}

func (b *farBox) Behave(m linktest.Manner, _ time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.manner = m
}

func (b *farBox) Put(p *actions.Point, v actions.Value) {
	b.mu.Lock()
	endless := b.manner == linktest.Endless
	b.has[p.Ref.Point] = v.String()
	b.mu.Unlock()
	if endless {
		b.Proxy.Inject(func() io.Reader { return endlessMessage(b.prefix + "/" + p.Ref.Point) })
		return
	}
	b.tell(p.Ref.Point, v.String())
}

func (b *farBox) Has(p *actions.Point) actions.Value {
	b.mu.Lock()
	defer b.mu.Unlock()
	d, err := link.NewDecoder(p, "")
	if err != nil {
		panic(err)
	}
	v, _ := d.Decode([]byte(b.has[p.Ref.Point]))
	return v
}

func (b *farBox) Commands() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.commands
}

// Close takes the retained states off the broker.
func (b *farBox) Close() {
	b.told.Wait()
	b.publish("number", "")
	b.publish("named", "")
	b.Proxy.Close()
	b.side.close()
}
