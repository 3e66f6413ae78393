package main

import (
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	mochi "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// A command that only looks comes to the broker under a name of its own and leaves the daemon's status topic alone: a broker
// drops the older of two conversations with one name (MQTT 5.0 3.1.4).
func TestLookingLeavesTheDaemonAlone(t *testing.T) {
	broker := mochi.New(&mochi.Options{InlineClient: true, Logger: slog.New(slog.DiscardHandler)})
	seen := &clients{}
	if err := broker.AddHook(seen, nil); err != nil {
		t.Fatal(err)
	}
	tcp := listeners.NewTCP(listeners.Config{ID: "t", Address: "127.0.0.1:0"})
	if err := broker.AddListener(tcp); err != nil {
		t.Fatal(err)
	}
	if err := broker.Serve(); err != nil {
		t.Fatal(err)
	}
	defer broker.Close()
	if err := broker.Publish("fan/speed", []byte("3"), true, 0); err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "spillway.toml")
	text := "[links.barn]\nurl = \"mqtt://" + tcp.Address() + "\"\nclient_id = \"the-daemon\"\nstatus = \"spillway/status\"\n" +
		"[devices.fan]\nlink = \"barn\"\nkind = \"load\"\n[devices.fan.points.speed]\nread = \"fan/speed\"\n"
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"plan"}, {"check"}} {
		var out strings.Builder
		if code := execute(t.Context(), append(args, "--config", file), streams{In: strings.NewReader(""), Out: &out, Err: io.Discard}); code != exitFine {
			t.Fatalf("%v: exit %d: %s", args, code, out.String())
		}
	}
	seen.mu.Lock()
	defer seen.mu.Unlock()
	if len(seen.names) < 2 {
		t.Fatalf("the broker saw %q", seen.names)
	}
	for _, name := range seen.names {
		if name == "the-daemon" {
			t.Errorf("the broker saw %q", seen.names)
		}
	}
	if len(seen.topics) > 0 {
		t.Errorf("published: %q", seen.topics)
	}
}

// clients notes who came to a broker and what they published.
type clients struct {
	mochi.HookBase
	mu            sync.Mutex
	names, topics []string
}

func (c *clients) ID() string { return "clients" }

func (c *clients) Provides(b byte) bool {
	return b == mochi.OnConnectAuthenticate || b == mochi.OnACLCheck || b == mochi.OnConnect || b == mochi.OnPublish
}

func (c *clients) OnConnectAuthenticate(*mochi.Client, packets.Packet) bool { return true }

func (c *clients) OnACLCheck(*mochi.Client, string, bool) bool { return true }

func (c *clients) OnConnect(cl *mochi.Client, _ packets.Packet) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.names = append(c.names, cl.ID)
	return nil
}

func (c *clients) OnPublish(cl *mochi.Client, p packets.Packet) (packets.Packet, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !cl.Net.Inline {
		c.topics = append(c.topics, p.TopicName)
	}
	return p, nil
}
