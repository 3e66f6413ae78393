package main

import (
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/house"
)

// TestKilledBesideBroker is TestKilledAtRandom with the gateways on a broker of its own, and with everything else in the
// way as well: the broker is stopped and started, the feed breaks, boxes lose commands and start anew. It runs where
// SPILLWAY_MOSQUITTO names mosquitto's program and SPILLWAY_KILLS how often to kill.
func TestKilledBesideBroker(t *testing.T) {
	kills, r := killed(t)
	// A broker acknowledges a command before the gateway has it: a tenth of the spacing is left for the way.
	c := newCrash(t, build(t), crashSite{name: "broker", windows: windowsFor(kills), broker: startMosquitto(t).url(), spacing: "1100ms"})
	c.killOften(kills, r)
	c.settled()
	c.summary(kills)
}

// TestKilledAmongTroubles is the same with everything else in the way as well: the broker is stopped and started, the feed
// breaks, boxes lose commands and start anew, and people set points by hand.
func TestKilledAmongTroubles(t *testing.T) {
	kills, r := killed(t)
	m := startMosquitto(t)
	c := newCrash(t, build(t), crashSite{name: "troubles", windows: windowsFor(kills), broker: m.url(), spacing: "1100ms"})
	stop := make(chan struct{})
	done := make(chan struct{})
	other := rand.New(rand.NewPCG(r.Uint64(), 6))
	go func() {
		defer close(done)
		for {
			select {
			case <-stop:
				c.house.Calendar.Answer(house.Well)
				return
			case <-time.After(time.Duration(other.Int64N(int64(4 * time.Second)))):
				c.bother(other, m)
			}
		}
	}()
	c.killOften(kills, r)
	close(stop)
	<-done
	c.settled()
	c.summary(kills)
}

// bother has one thing go wrong.
func (c *crash) bother(r *rand.Rand, m *mosquitto) {
	what := ""
	switch r.IntN(6) {
	case 0:
		m.stop()
		time.Sleep(time.Duration(r.Int64N(int64(time.Second))))
		m.start()
		what = "broker"
	case 1:
		ways := []house.Answering{house.Failing, house.Missing, house.Page, house.Nothing, house.CutOff}
		how := ways[r.IntN(len(ways))]
		c.house.Calendar.Answer(how)
		time.Sleep(time.Duration(r.Int64N(int64(3 * time.Second))))
		c.house.Calendar.Answer(house.Well)
		what = "feed " + string(how)
	case 2:
		link := []string{house.LinkBarn, house.LinkBoilerRoom, house.LinkYard}[r.IntN(3)]
		what = "lost on " + link
		if err := c.house.Inject(house.Fault{Kind: house.Lose, Link: link, Count: 1 + r.IntN(2)}); err != nil {
			what = err.Error()
		}
	case 3:
		link := []string{house.LinkBarn, house.LinkBoilerRoom, house.LinkYard}[r.IntN(3)]
		what = "offline: " + link
		if err := c.house.Inject(house.Fault{Kind: house.Offline, Link: link, For: 15 * time.Second}); err != nil {
			what = err.Error()
		}
	case 4:
		link := []string{house.LinkBoilerRoom, house.LinkYard}[r.IntN(2)]
		what = "slow: " + link
		if err := c.house.Inject(house.Fault{Kind: house.Slow, Link: link, By: 5 * time.Second, For: 30 * time.Second}); err != nil {
			what = err.Error()
		}
	case 5:
		what = c.hand(r)
	}
	fmt.Fprintf(c.log, "--- %s\n", what)
}

// hand has a person set a point, at a value that no window holds it at.
func (c *crash) hand(r *rand.Rand) string {
	f := house.Fault{Kind: house.ByHand, Point: actions.Ref{Device: house.BarnBattery, Point: "charge_power"}, Value: actions.Number(float64(1000 + 500*r.IntN(3)))}
	if r.IntN(2) == 0 {
		f.Point.Point, f.Value = "charge_limit", actions.Number(float64(60+5*r.IntN(4)))
	}
	if err := c.house.Inject(f); err != nil {
		return err.Error()
	}
	c.hands[f.Point] = append(c.hands[f.Point], f.Value)
	return "hand: " + f.Point.String() + " = " + f.Value.String()
}

// killed returns how often to kill, and what picks the instants.
func killed(t *testing.T) (int, *rand.Rand) {
	t.Helper()
	kills, err := strconv.Atoi(os.Getenv("SPILLWAY_KILLS"))
	if err != nil {
		t.Skip("SPILLWAY_KILLS is not set")
	}
	t.Parallel()
	seed, _ := strconv.ParseUint(os.Getenv("SPILLWAY_SEED"), 10, 64)
	t.Logf("SPILLWAY_SEED=%d", seed)
	return kills, rand.New(rand.NewPCG(seed, 5))
}

// A mosquitto is one broker, a process, on one port for good. It keeps nothing over a stop.
type mosquitto struct {
	t    *testing.T
	port string
	conf string
	cmd  *exec.Cmd
}

func startMosquitto(t *testing.T) *mosquitto {
	t.Helper()
	if os.Getenv("SPILLWAY_MOSQUITTO") == "" {
		t.Skip("SPILLWAY_MOSQUITTO does not name mosquitto's program: .ci/crash does")
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	_, port, _ := net.SplitHostPort(ln.Addr().String())
	_ = ln.Close()
	m := &mosquitto{t: t, port: port, conf: filepath.Join(t.TempDir(), "mosquitto.conf")}
	if err := os.WriteFile(m.conf, []byte("listener "+port+" 127.0.0.1\nallow_anonymous true\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	m.start()
	t.Cleanup(m.stop)
	return m
}

func (m *mosquitto) url() string { return "mqtt://127.0.0.1:" + m.port }

// start starts the broker and waits until it answers.
func (m *mosquitto) start() {
	m.cmd = exec.Command(os.Getenv("SPILLWAY_MOSQUITTO"), "-c", m.conf)
	if err := m.cmd.Start(); err != nil {
		m.t.Error(err)
		return
	}
	for range 500 {
		c, err := net.Dial("tcp", "127.0.0.1:"+m.port)
		if err == nil {
			_ = c.Close()
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	m.t.Error("mosquitto does not come up")
}

func (m *mosquitto) stop() {
	if m.cmd != nil && m.cmd.Process != nil {
		_ = m.cmd.Process.Kill()
		_ = m.cmd.Wait()
	}
	m.cmd = nil
}
