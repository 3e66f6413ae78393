//go:build unix

package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/coder/websocket"
	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
	"github.com/simonvetter/modbus"

	"spillway/actions"
	"spillway/actions/journal"
	"spillway/actions/run"
	"spillway/config"
)

// The peers of many links, of every kind: each keeps what it is told.

type echo struct {
	mqtt.HookBase
	server *mqtt.Server
}

func (*echo) ID() string { return "echo" }
func (*echo) Provides(b byte) bool {
	return strings.IndexByte(string([]byte{mqtt.OnConnectAuthenticate, mqtt.OnACLCheck, mqtt.OnPublish}), b) >= 0
}
func (*echo) OnConnectAuthenticate(*mqtt.Client, packets.Packet) bool { return true }
func (*echo) OnACLCheck(*mqtt.Client, string, bool) bool              { return true }

func (e *echo) OnPublish(c *mqtt.Client, p packets.Packet) (packets.Packet, error) {
	if state, command := strings.CutSuffix(p.TopicName, "/set"); command && !c.Net.Inline {
		_ = e.server.Publish(state, p.Payload, true, 0)
	}
	return p, nil
}

func manyBroker(t *testing.T) string {
	server := mqtt.New(&mqtt.Options{InlineClient: true, Logger: slog.New(slog.DiscardHandler)})
	if err := server.AddHook(&echo{server: server}, nil); err != nil {
		t.Fatal(err)
	}
	tcp := listeners.NewTCP(listeners.Config{ID: "t", Address: "127.0.0.1:0"})
	if err := server.AddListener(tcp); err != nil {
		t.Fatal(err)
	}
	if err := server.Serve(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = server.Close() })
	for i := range 50 {
		_ = server.Publish(fmt.Sprintf("mqtt%d", i), []byte("0"), true, 0)
	}
	return "mqtt://" + tcp.Address()
}

type kept struct {
	mu     sync.Mutex
	values map[string]string
}

func (k *kept) put(name, v string) { k.mu.Lock(); k.values[name] = v; k.mu.Unlock() }
func (k *kept) get(name string) string {
	k.mu.Lock()
	defer k.mu.Unlock()
	if v := k.values[name]; v != "" {
		return v
	}
	return "0"
}

func (k *kept) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.Method == http.MethodPut {
		body, _ := io.ReadAll(r.Body)
		k.put(r.URL.Path, string(body))
	}
	_, _ = io.WriteString(w, k.get(r.URL.Path))
}

func (k *kept) HandleCoils(*modbus.CoilsRequest) ([]bool, error) {
	return nil, modbus.ErrIllegalFunction
}
func (k *kept) HandleDiscreteInputs(*modbus.DiscreteInputsRequest) ([]bool, error) {
	return nil, modbus.ErrIllegalFunction
}
func (k *kept) HandleInputRegisters(*modbus.InputRegistersRequest) ([]uint16, error) {
	return nil, modbus.ErrIllegalFunction
}
func (k *kept) HandleHoldingRegisters(r *modbus.HoldingRegistersRequest) (out []uint16, err error) {
	for i := range r.Quantity {
		name := fmt.Sprint(r.UnitId, " ", r.Addr+i)
		if r.IsWrite {
			k.put(name, fmt.Sprint(r.Args[i]))
		}
		var v uint16
		_, _ = fmt.Sscan(k.get(name), &v)
		out = append(out, v)
	}
	return out, nil
}

func manyRegisters(t *testing.T) string {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	_ = l.Close()
	server, err := modbus.NewServer(&modbus.ServerConfiguration{URL: "tcp://" + address, MaxClients: 50, Timeout: time.Minute}, &kept{values: map[string]string{}})
	if err != nil {
		t.Fatal(err)
	}
	if err := server.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = server.Stop() })
	return "modbus://" + address + "/"
}

// charger comes to the central system as an OCPP 1.6 charge point and keeps its limit.
func charger(ctx context.Context, url string) {
	for ctx.Err() == nil {
		ws, _, err := websocket.Dial(ctx, url, &websocket.DialOptions{Subprotocols: []string{"ocpp1.6"}})
		if err != nil {
			select {
			case <-ctx.Done():
			case <-time.After(50 * time.Millisecond):
			}
			continue
		}
		_ = ws.Write(ctx, websocket.MessageText, []byte(`[2, "b", "BootNotification", {"chargePointVendor": "x", "chargePointModel": "y"}]`))
		limit := ""
		for {
			_, b, err := ws.Read(ctx)
			if err != nil {
				break
			}
			var f []json.RawMessage
			if json.Unmarshal(b, &f) != nil || len(f) < 4 || string(f[0]) != "2" {
				continue
			}
			answer := `{"status": "Accepted"}`
			switch string(f[2]) {
			case `"SetChargingProfile"`:
				_, rest, _ := strings.Cut(string(f[3]), `"limit":`)
				limit, _, _ = strings.Cut(rest, "}")
			case `"ClearChargingProfile"`:
				limit = ""
			case `"TriggerMessage"`:
				answer = `{"status": "Rejected"}`
			case `"GetConfiguration"`:
				answer = `{}`
			case `"GetCompositeSchedule"`:
				if limit != "" {
					answer = `{"status": "Accepted", "chargingSchedule": {"chargingRateUnit": "A", "chargingSchedulePeriod": [{"startPeriod": 0, "limit": ` + limit + `}]}}`
				}
			}
			_ = ws.Write(ctx, websocket.MessageText, []byte(fmt.Sprintf(`[3, %s, %s]`, f[1], answer)))
		}
	}
}

const manyScript = "#!/bin/sh\ncase $1 in set) printf %s \"$3\" >\"$2\" ;; get) cat \"$2\" 2>/dev/null || printf 0 ;; esac\n"

// manyLinks writes a configuration of 50 links, ten of each kind, with 200 devices behind them, all held by one procedure.
func manyLinks(t *testing.T, dir string) string {
	script := filepath.Join(dir, "box")
	if err := os.WriteFile(script, []byte(manyScript), 0o700); err != nil {
		t.Fatal(err)
	}
	web := httptest.NewServer(&kept{values: map[string]string{}})
	t.Cleanup(web.Close)
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ocpp := l.Addr().String()
	_ = l.Close()
	broker, registers := manyBroker(t), manyRegisters(t)
	ctx, stop := context.WithCancel(context.Background())
	var chargers sync.WaitGroup
	t.Cleanup(func() { stop(); chargers.Wait() })
	var b, during strings.Builder
	fmt.Fprintf(&b, "state = %q\nmargin = \"0s\"\n[supply]\nlimit = \"500 A\"\n", filepath.Join(dir, "state"))
	for i := range 10 {
		for kind, url := range map[string]string{"mqtt": broker, "http": web.URL + "/", "modbus": registers + fmt.Sprint(i+1), "exec": "exec:", "ocpp": fmt.Sprintf("ocpp://%s/C%d", ocpp, i)} {
			fmt.Fprintf(&b, "[links.%s%d]\nurl = %q\n", kind, i, url)
			if kind == "exec" {
				fmt.Fprintf(&b, "dir = %q\n", dir)
			}
			n := map[string]int{"mqtt": 5, "http": 5, "modbus": 5, "exec": 4, "ocpp": 1}[kind]
			for k := range n {
				id := fmt.Sprintf("%s%d", kind, 5*i+k)
				if kind == "ocpp" {
					fmt.Fprintf(&b, "[devices.%s]\nlink = \"%s%d\"\nkind = \"vehicle\"\n", id, kind, i)
					fmt.Fprintf(&during, "%q,\n", id+".current = 10 A")
					continue
				}
				address := map[string][2]string{
					"mqtt": {fmt.Sprintf("%q", id+"/set"), fmt.Sprintf("%q", id)}, "http": {fmt.Sprintf("%q", id), fmt.Sprintf("%q", id)},
					"modbus": {fmt.Sprintf("{ holding = %d }", k), fmt.Sprintf("{ holding = %d }", k)},
					"exec":   {fmt.Sprintf("[%q, \"set\", %q, \"{value}\"]", script, id), fmt.Sprintf("[%q, \"get\", %q]", script, id)},
				}[kind]
				fmt.Fprintf(&b, "[devices.%s]\nlink = \"%s%d\"\nkind = \"load\"\n[devices.%s.points.p]\nwrite = %s\nread = %s\nunit = \"W\"\nrange = [0, 5000]\ndraws = false\n",
					id, kind, i, id, address[0], address[1])
				fmt.Fprintf(&during, "%q,\n", id+".p = 100 W")
			}
		}
		chargers.Go(func() { charger(ctx, fmt.Sprintf("ws://%s/C%d", ocpp, i)) })
	}
	fmt.Fprintf(&b, "[procedures.all]\nmatch = { title = \"all\" }\nduring = [\n%s]\n", during.String())
	return b.String()
}

// once is a feed with one window, which is over in a second once it is to end.
type once struct {
	mu sync.Mutex
	w  actions.Window
}

func (*once) Name() string { return "once" }

func (o *once) Poll(context.Context) (run.Polled, time.Time) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return run.Polled{Feed: "once", Good: true, Events: 1, Windows: []actions.Window{o.w}}, time.Now().Add(200 * time.Millisecond)
}

func (o *once) end() {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.w.End = time.Now().Add(2 * time.Second).Truncate(time.Second).UTC()
}

// 200 devices on 50 links of every kind, in one process, are held and given back, each step confirmed; what that takes of
// memory and goroutines is bounded, and how late the steps went is logged.
func TestManyLinksOfEveryKind(t *testing.T) {
	if testing.Short() {
		t.Skip("takes some seconds")
	}
	dir := t.TempDir()
	file := filepath.Join(dir, config.Name)
	if err := os.WriteFile(file, []byte(manyLinks(t, dir)), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg, err := config.Load(config.Options{File: file, Env: []string{}})
	if err != nil {
		t.Fatal(err)
	}
	if l, d := len(cfg.Premises.Links), len(cfg.Premises.Devices); l != 50 || d != 200 {
		t.Fatalf("%d links, %d devices", l, d)
	}
	before := runtime.NumGoroutine()
	links, err := openLinks(&cfg.Premises)
	if err != nil {
		t.Fatal(err)
	}
	j, err := journal.Open(filepath.Join(dir, "journal"), journal.Options{})
	if err != nil {
		t.Fatal(err)
	}
	start := time.Now().Add(4 * time.Second).Truncate(time.Second).UTC()
	w := actions.Window{ID: "w", UID: "w", Feed: "once", Title: "all", Procedure: "all", Start: start, End: start.Add(time.Hour)}
	feed := &once{w: w}
	r := run.NewRunner(run.Config{Settings: run.Settings{Premises: &cfg.Premises, Journal: j, Horizon: time.Hour, Readiness: time.Minute},
		Clock: run.System{}, Links: links, Feeds: []run.Feed{feed}})
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- r.Run(ctx) }()
	defer func() {
		stop()
		<-done
		closeLinks(links)
		_ = j.Close()
	}()
	limit, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	confirmed := func(phase actions.Phase) func(run.Snapshot) bool {
		return func(s run.Snapshot) bool {
			n := 0
			for _, st := range s.Standing.Steps {
				if st.Step.Phase == phase && st.State == actions.Confirmed {
					n++
				}
			}
			return n == 200
		}
	}
	if _, err := r.Until(limit, confirmed(actions.PhaseDuring)); err != nil {
		t.Fatalf("not all was held: %v", err)
	}
	goroutines := runtime.NumGoroutine() - before
	var mem runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&mem)
	feed.end()
	s, err := r.Until(limit, confirmed(actions.PhaseRestore))
	if err != nil {
		t.Fatalf("not all was given back: %v", err)
	}
	late, tries := time.Duration(0), 0
	for _, st := range s.Standing.Steps {
		late, tries = max(late, st.Sent.Sub(st.Step.Due)), tries+st.Tries
	}
	if owed := s.Owed(); len(owed) > 0 {
		t.Errorf("owed: %v", owed)
	}
	if goroutines > 10*50 || mem.HeapAlloc > 64<<20 {
		t.Errorf("%d goroutines and %d MB, peers and all", goroutines, mem.HeapAlloc>>20)
	}
	t.Logf("%d steps in %d tries, the latest %s after it was due; %d goroutines for 50 links and their peers' ends, %d MB of heap with the peers",
		len(s.Standing.Steps), tries, late.Round(time.Millisecond), goroutines, mem.HeapAlloc>>20)
}
