package ocpp

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/coder/websocket"

	"spillway/actions"
	"spillway/actions/link/linktest"
)

// A box is a charger that comes to the link under test, and comes again while it is not cut.
type box struct {
	t        *testing.T
	version  string // ocpp1.6 or ocpp2.0.1
	address  string
	password string
	stop     context.CancelFunc
	over     context.Context
	wg       sync.WaitGroup
	watts    atomic.Bool // it takes limits in W only, not in A only

	mu       sync.Mutex
	wake     chan struct{} // closed when something changes for the one that dials
	cut      bool
	ws       *websocket.Conn
	manner   linktest.Manner
	delay    time.Duration
	limit    float64 // in force, in its unit
	none     bool    // there is no limit in force
	running  bool
	id       string // of the transaction
	number   int
	waiting  map[string]chan json.RawMessage
	commands int
	calls    []string          // actions as they came
	payloads []json.RawMessage // and what came with them
	refuses  string            // an action to be refused, or an action and a purpose
	written  sync.Mutex
	telling  sync.Mutex // what it says of itself, one after another: no old state after a new one
}

// port returns an address that nothing listens on.
func port(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

func newBox(t *testing.T, version string) *box {
	t.Helper()
	b := &box{t: t, version: version, address: port(t), manner: linktest.Accept, wake: make(chan struct{}), waiting: map[string]chan json.RawMessage{}}
	b.over, b.stop = context.WithCancel(context.Background())
	b.wg.Go(b.come)
	return b
}

// come dials whenever there is no conversation and no cut.
func (b *box) come() {
	for b.over.Err() == nil {
		b.mu.Lock()
		wake, cut := b.wake, b.cut
		b.mu.Unlock()
		if !cut {
			b.talk()
		}
		again := time.NewTimer(20 * time.Millisecond)
		select {
		case <-again.C:
		case <-wake:
		case <-b.over.Done():
		}
		again.Stop()
	}
}

func (b *box) talk() {
	header := http.Header{}
	b.mu.Lock()
	if b.password != "" {
		header.Set("Authorization", "Basic "+base64.StdEncoding.EncodeToString([]byte("CP1:"+b.password)))
	}
	b.mu.Unlock()
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	ws, resp, err := websocket.Dial(b.over, "ws://"+b.address+"/CP1", &websocket.DialOptions{
		Subprotocols: []string{b.version}, HTTPHeader: header, HTTPClient: client,
	})
	if err != nil {
		if resp != nil && resp.Body != nil {
			resp.Body.Close()
		}
		return
	}
	defer ws.CloseNow()
	b.mu.Lock()
	if b.cut {
		b.mu.Unlock()
		return
	}
	b.ws = ws
	b.mu.Unlock()
	var greeting sync.WaitGroup
	greeting.Go(func() { b.greet() })
	defer greeting.Wait()
	for {
		_, message, err := ws.Read(b.over)
		if err != nil {
			b.mu.Lock()
			b.ws = nil
			for id, answer := range b.waiting {
				close(answer)
				delete(b.waiting, id)
			}
			b.mu.Unlock()
			return
		}
		b.hear(message)
	}
}

func (b *box) old() bool { return b.version == "ocpp1.6" }

// greet says what chargers say when they come.
func (b *box) greet() {
	if b.old() {
		b.call("BootNotification", `{"chargePointVendor": "Test", "chargePointModel": "Box"}`)
	} else {
		b.call("BootNotification", `{"reason": "PowerUp", "chargingStation": {"model": "Box", "vendorName": "Test"}}`)
	}
	b.tellStatus()
}

func (b *box) tellStatus() {
	b.telling.Lock()
	defer b.telling.Unlock()
	b.mu.Lock()
	running, id := b.running, b.id
	b.mu.Unlock()
	switch {
	case b.old():
		word := map[bool]string{true: "Charging", false: "Preparing"}[running]
		b.call("StatusNotification", fmt.Sprintf(`{"connectorId": 1, "errorCode": "NoError", "status": %q}`, word))
		if running {
			b.call("MeterValues", fmt.Sprintf(`{"connectorId": 1, "transactionId": %s, "meterValue": [{"timestamp": %q, "sampledValue": [{"value": "1500"}]}]}`, id, stamp(time.Now())))
		}
	case running:
		b.call("StatusNotification", fmt.Sprintf(`{"timestamp": %q, "connectorStatus": "Occupied", "evseId": 1, "connectorId": 1}`, stamp(time.Now())))
		b.tellTransaction("Updated")
	default:
		b.call("StatusNotification", fmt.Sprintf(`{"timestamp": %q, "connectorStatus": "Occupied", "evseId": 1, "connectorId": 1}`, stamp(time.Now())))
		b.tellTransaction("Ended")
	}
}

func (b *box) tellTransaction(kind string) {
	b.mu.Lock()
	id := b.id
	b.mu.Unlock()
	b.call("TransactionEvent", fmt.Sprintf(`{"eventType": %q, "timestamp": %q, "triggerReason": "RemoteStart", "seqNo": 1,
		"transactionInfo": {"transactionId": %q}, "evse": {"id": 1}}`, kind, stamp(time.Now()), id))
}

// call calls the central system and waits for the result; nil where the conversation ended.
func (b *box) call(action, payload string) json.RawMessage {
	b.mu.Lock()
	b.number++
	id, answer := fmt.Sprint("c", b.number), make(chan json.RawMessage, 1)
	b.waiting[id] = answer
	b.mu.Unlock()
	b.send(fmt.Sprintf(`[2, %q, %q, %s]`, id, action, payload))
	select {
	case result := <-answer:
		return result
	case <-b.over.Done():
	case <-time.After(5 * time.Second):
	}
	return nil
}

func (b *box) send(message string) {
	b.mu.Lock()
	ws := b.ws
	b.mu.Unlock()
	if ws != nil {
		b.written.Lock()
		defer b.written.Unlock()
		_ = ws.Write(b.over, websocket.MessageText, []byte(message))
	}
}

func (b *box) hear(message []byte) {
	f, err := parseFrame(message)
	if err != nil {
		b.t.Errorf("the central system sends %s: %v", message, err)
		return
	}
	if f.kind != typeCall {
		b.mu.Lock()
		answer := b.waiting[f.id]
		delete(b.waiting, f.id)
		b.mu.Unlock()
		if answer != nil {
			answer <- f.payload
		}
		return
	}
	b.mu.Lock()
	manner, delay := b.manner, b.delay
	b.calls, b.payloads = append(b.calls, f.action), append(b.payloads, f.payload)
	counts := f.action == "SetChargingProfile" && strings.Contains(string(f.payload), purposeDefault) || strings.Contains(f.action, "tartTransaction") || strings.Contains(f.action, "topTransaction")
	if counts {
		b.commands++
	}
	b.mu.Unlock()
	switch {
	case manner == linktest.Silent:
		return
	case manner == linktest.Late:
		b.wg.Go(func() {
			select {
			case <-time.After(delay):
				b.obey(f)
			case <-b.over.Done():
			}
		})
		return
	case manner == linktest.Endless && f.action == "GetCompositeSchedule":
		b.endless()
		return
	}
	b.wg.Go(func() { b.obey(f) })
}

func (b *box) endless() {
	w, err := b.ws.Writer(b.over, websocket.MessageText)
	if err != nil {
		return
	}
	for some := make([]byte, 1<<16); err == nil; {
		_, err = w.Write(some)
	}
}

// obey does what it is told, as its manner is.
func (b *box) obey(f frame) {
	b.mu.Lock()
	manner := b.manner
	refused := b.refuses != "" && strings.Contains(f.action+" "+string(f.payload), b.refuses)
	b.mu.Unlock()
	if refused || manner == linktest.Refuse && f.action != "GetCompositeSchedule" {
		b.send(fmt.Sprintf(`[3, %q, {"status": "Rejected"}]`, f.id))
		return
	}
	answer, after := `{"status": "Accepted"}`, func() {}
	switch f.action {
	case "SetChargingProfile":
		after = func() { b.take(f.payload, manner) }
	case "GetCompositeSchedule":
		answer = b.schedule(manner)
	case "RemoteStartTransaction", "RequestStartTransaction":
		after = func() { b.begin(true, manner) }
	case "RemoteStopTransaction", "RequestStopTransaction":
		after = func() { b.begin(false, manner) }
	case "TriggerMessage":
		if strings.Contains(string(f.payload), "StatusNotification") {
			after = b.tellStatus
		}
	case "GetConfiguration":
		answer = fmt.Sprintf(`{"configurationKey": [{"key": "ChargeProfileMaxStackLevel", "readonly": true, "value": "8"}, {"key": "ChargingScheduleAllowedChargingRateUnit", "readonly": true, "value": %q}]}`,
			map[string]string{"A": "Current", "W": "Power"}[b.unit()])
	case "GetVariables":
		answer = `{"getVariableResult": [{"attributeStatus": "Accepted", "attributeValue": "8", "component": {"name": "SmartChargingCtrlr"}, "variable": {"name": "ProfileStackLevel"}},
			{"attributeStatus": "Accepted", "attributeValue": "` + b.unit() + `", "component": {"name": "SmartChargingCtrlr"}, "variable": {"name": "RateUnit"}}]}`
	}
	if f.action == "SetChargingProfile" {
		after()
		after = func() {}
	}
	b.send(fmt.Sprintf(`[3, %q, %s]`, f.id, answer))
	after()
}

// unit is the only one that the charger takes.
func (b *box) unit() string {
	if b.watts.Load() {
		return "W"
	}
	return "A"
}

func (b *box) take(payload json.RawMessage, manner linktest.Manner) {
	if manner == linktest.Lossy {
		return
	}
	// The limit of either version.
	_, rest, _ := strings.Cut(string(payload), `"limit":`)
	var limit float64
	_, _ = fmt.Sscanf(rest, "%g", &limit)
	b.mu.Lock()
	b.limit, b.none = limit, false
	b.mu.Unlock()
}

func (b *box) schedule(manner linktest.Manner) string {
	b.mu.Lock()
	defer b.mu.Unlock()
	periods := fmt.Sprintf(`[{"startPeriod": 0, "limit": %g}]`, b.limit)
	if manner == linktest.Rubbish {
		periods = `"<html>\r\n"`
	}
	switch {
	case b.none:
		return `{"status": "Accepted"}`
	case b.old():
		return fmt.Sprintf(`{"status": "Accepted", "connectorId": 1, "scheduleStart": %q, "chargingSchedule": {"chargingRateUnit": %q, "chargingSchedulePeriod": %s}}`, stamp(time.Now()), b.unit(), periods)
	}
	return fmt.Sprintf(`{"status": "Accepted", "schedule": {"evseId": 1, "duration": 60, "scheduleStart": %q, "chargingRateUnit": %q, "chargingSchedulePeriod": %s}}`, stamp(time.Now()), b.unit(), periods)
}

// begin starts or ends a transaction and tells of it.
func (b *box) begin(running bool, manner linktest.Manner) {
	if manner == linktest.Lossy {
		return
	}
	b.telling.Lock()
	defer b.telling.Unlock()
	b.mu.Lock()
	was, id := b.running, b.id
	b.running = running
	b.mu.Unlock()
	if was == running {
		return
	}
	switch {
	case b.old() && running:
		var r struct {
			ID int64 `json:"transactionId"`
		}
		result := b.call("StartTransaction", fmt.Sprintf(`{"connectorId": 1, "idTag": "spillway", "meterStart": 1000, "timestamp": %q}`, stamp(time.Now())))
		_ = json.Unmarshal(result, &r)
		b.mu.Lock()
		b.id = fmt.Sprint(r.ID)
		b.mu.Unlock()
	case b.old():
		b.call("StopTransaction", fmt.Sprintf(`{"transactionId": %s, "meterStop": 2000, "timestamp": %q}`, id, stamp(time.Now())))
	case running:
		b.mu.Lock()
		b.id = fmt.Sprint("tx", b.number)
		b.mu.Unlock()
		b.tellTransaction("Started")
	default:
		b.tellTransaction("Ended")
	}
}

func (b *box) Spec() actions.Link {
	return actions.Link{Name: "charger", URL: "ocpp://" + b.address + "/CP1", Protocol: "ocpp", Password: actions.Secret(b.password)}
}

func point(name string) *actions.Point {
	p := &actions.Point{Ref: actions.Ref{Device: "van", Point: name}, Read: &actions.Address{Path: name}}
	switch name {
	case "current":
		p.Unit, p.HasRange, p.Max = "A", true, 32
		p.Write = &actions.Address{Path: name}
	case "charging":
		p.Values = []actions.NamedValue{{Name: "off", Wire: "off"}, {Name: "on", Wire: "on"}}
		p.Write = &actions.Address{Path: name}
	case "plugged":
		p.Values = []actions.NamedValue{{Name: "no", Wire: "no"}, {Name: "yes", Wire: "yes"}}
	case "power":
		p.Unit = "W"
	case "energy":
		p.Unit = "kWh"
	}
	return p
}

func (b *box) Points() (number, named *actions.Point) {
	number, named = point("current"), point("charging")
	number.Max = 5000
	return number, named
}

func (b *box) Behave(m linktest.Manner, delay time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.manner, b.delay = m, delay
}

func (b *box) Put(p *actions.Point, v actions.Value) {
	if v.IsNumber() {
		b.mu.Lock()
		b.limit = v.Number
		b.mu.Unlock()
		return
	}
	b.begin(v.Name == "on", linktest.Accept)
}

func (b *box) Has(p *actions.Point) actions.Value {
	b.mu.Lock()
	defer b.mu.Unlock()
	if p.Ref.Point == "current" {
		return actions.Number(b.limit)
	}
	return actions.Named(map[bool]string{false: "off", true: "on"}[b.running])
}

func (b *box) Commands() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.commands
}

func (b *box) Cut() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.cut = true
	if b.ws != nil {
		_ = b.ws.CloseNow()
	}
}

func (b *box) Mend() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.cut = false
	close(b.wake)
	b.wake = make(chan struct{})
}

func (b *box) Close() {
	b.stop()
	b.wg.Wait()
}
