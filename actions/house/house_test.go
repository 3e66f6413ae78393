package house

import (
	"context"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"time"

	ics "github.com/arran4/golang-ical"
	"github.com/eclipse/paho.golang/paho"

	"spillway/actions"
)

// fast is a clock that runs speed times faster than the machine's.
type fast struct {
	start, began time.Time
	speed        float64
}

func (f fast) Now() time.Time {
	return f.start.Add(time.Duration(float64(time.Since(f.began)) * f.speed)).UTC()
}

func (f fast) After(d time.Duration) (<-chan time.Time, func()) {
	t := time.NewTimer(time.Duration(float64(d) / f.speed))
	return t.C, func() { t.Stop() }
}

func startHouse(t *testing.T, speed float64, o Options) *House {
	t.Helper()
	o.Clock = fast{storyStart(t), time.Now(), speed}
	if o.History == 0 {
		o.History = -1
	}
	h, err := Start(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := h.Close(); err != nil {
			t.Error(err)
		}
	})
	return h
}

// A peer is an MQTT client, of the same library as the driver's, that keeps the newest of each topic.
type peer struct {
	client *paho.Client
	news   chan struct{}

	mu     sync.Mutex
	newest map[string]string
}

func dial(t *testing.T, h *House) *peer {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	conn, err := net.Dial("tcp", strings.TrimPrefix(h.Addresses().Broker, "mqtt://"))
	if err != nil {
		t.Fatal(err)
	}
	p := &peer{news: make(chan struct{}, 1), newest: map[string]string{}}
	p.client = paho.NewClient(paho.ClientConfig{
		Conn: conn,
		OnPublishReceived: []func(paho.PublishReceived) (bool, error){func(r paho.PublishReceived) (bool, error) {
			p.mu.Lock()
			p.newest[r.Packet.Topic] = string(r.Packet.Payload)
			p.mu.Unlock()
			p.wake()
			return true, nil
		}},
		OnServerDisconnect: func(*paho.Disconnect) { p.wake() },
		OnClientError:      func(error) { p.wake() },
	})
	if _, err := p.client.Connect(ctx, &paho.Connect{CleanStart: true, KeepAlive: 30, ClientID: t.Name()}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = p.client.Disconnect(&paho.Disconnect{}) })
	if _, err := p.client.Subscribe(ctx, &paho.Subscribe{Subscriptions: []paho.SubscribeOptions{{Topic: "#"}}}); err != nil {
		t.Fatal(err)
	}
	return p
}

func (p *peer) wake() {
	select {
	case p.news <- struct{}{}:
	default:
	}
}

func (p *peer) send(t *testing.T, topic, payload string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	if _, err := p.client.Publish(ctx, &paho.Publish{Topic: topic, Payload: []byte(payload), QoS: 1}); err != nil {
		t.Fatal(err)
	}
}

// await waits until topic says want.
func (p *peer) await(t *testing.T, topic, want string) {
	t.Helper()
	deadline := time.After(time.Minute)
	for {
		p.mu.Lock()
		got := p.newest[topic]
		p.mu.Unlock()
		if got == want {
			return
		}
		select {
		case <-p.news:
		case <-deadline:
			t.Fatalf("%s is %q, want %q", topic, got, want)
		}
	}
}

func TestCommandsOverTheBroker(t *testing.T) {
	h := startHouse(t, 300, Options{})
	p := dial(t, h)
	p.await(t, "barn/battery/mode", "own_use") // retained
	p.send(t, "barn/battery/mode/set", "charge")
	p.await(t, "barn/battery/mode", "charge")

	// The acknowledgement came after the gateway heard it, so this one, sent at once, is too soon.
	before := len(h.Ledger())
	p.send(t, "house/battery/mode/set", "idle")
	p.send(t, "house/battery/charge_power/set", "1000")
	p.await(t, "house/battery/mode", "idle")
	l := h.Ledger()[before:]
	if len(l) != 2 || l[0].Outcome != Accepted {
		t.Fatalf("ledger: %v", l)
	}
	if l[1].At.Sub(l[0].At) < gatewaySpacing && l[1].Outcome != Lost {
		t.Errorf("too soon and not lost: %v", l)
	}
	if g := h.Gateway(LinkHouse); g.Heard+g.Missed != 2 {
		t.Errorf("gateway: %+v", g)
	}
	if len(h.Astray()) != 2 {
		t.Errorf("astray: %v", h.Astray())
	}
}

func TestLevelsMoveAndAreTold(t *testing.T) {
	h := startHouse(t, 3000, Options{})
	p := dial(t, h)
	p.send(t, "barn/battery/mode/set", "charge")
	// 2.5 kW into 13.5 kWh: from 28 to 60 % in less than two hours.
	deadline := time.After(time.Minute)
	for h.Snapshot().Level[BarnBattery] < 60 {
		select {
		case <-p.news:
		case <-deadline:
			t.Fatalf("the level is %v", h.Snapshot().Level[BarnBattery])
		}
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if got := p.newest["barn/battery/level"]; got == "" || got == "28" {
		t.Errorf("the level told is %q", got)
	}
}

func TestRestartThrowsClientsOff(t *testing.T) {
	h := startHouse(t, 300, Options{})
	p := dial(t, h)
	if err := h.Inject(Fault{Kind: Reboot, Link: LinkBarn, For: 20 * time.Second}); err != nil {
		t.Fatal(err)
	}
	select {
	case <-p.client.Done():
	case <-time.After(time.Minute):
		t.Fatal("still connected")
	}
	dial(t, h).await(t, "barn/battery/mode", "idle")
}

func do(t *testing.T, method, url, body string, header ...string) (*http.Response, string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, method, url, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i+1 < len(header); i += 2 {
		req.Header.Set(header[i], header[i+1])
	}
	transport := &http.Transport{DisableKeepAlives: true}
	res, err := transport.RoundTrip(req)
	if err != nil {
		return nil, err.Error()
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return res, string(text)
}

func TestBoxesOverHTTP(t *testing.T) {
	h := startHouse(t, 300, Options{})
	yard := h.Addresses().Yard
	if res, text := do(t, "PUT", yard+"charger/current", `{"current_a": 16}`); res.StatusCode != 409 || !strings.Contains(text, "remote") {
		t.Errorf("current in local control: %d %s", res.StatusCode, text)
	}
	if res, _ := do(t, "PUT", yard+"charger/control", `{"control": "remote"}`); res.StatusCode != 204 {
		t.Errorf("remote control: %d", res.StatusCode)
	}
	if res, _ := do(t, "PUT", yard+"charger/current", `{"current_a": 16}`); res.StatusCode != 204 {
		t.Errorf("current: %d", res.StatusCode)
	}
	if _, text := do(t, "GET", yard+"charger", ""); !strings.Contains(text, `"current_a":16`) {
		t.Errorf("charger: %s", text)
	}
	if res, _ := do(t, "PUT", yard+"charger/current", `{"x": "`+strings.Repeat("x", 5000)+`"}`); res.StatusCode != 400 {
		t.Errorf("a long body: %d", res.StatusCode)
	}
	if w := h.Snapshot().DrawW[Van]; w != 16*VoltageV {
		t.Errorf("the van draws %v W", w)
	}
}

func TestSlowBoxTakesItsTime(t *testing.T) {
	h := startHouse(t, 300, Options{Faults: []Fault{{Kind: Slow, Link: LinkYard, By: time.Minute, For: 24 * time.Hour}}})
	began := h.Snapshot().At
	do(t, "GET", h.Addresses().Yard+"charger", "")
	if took := h.Snapshot().At.Sub(began); took < time.Minute {
		t.Errorf("it answers after %v", took)
	}
}

func TestBoxThatIsOffBreaksOff(t *testing.T) {
	h := startHouse(t, 300, Options{Faults: []Fault{{Kind: Offline, Link: LinkYard, For: 24 * time.Hour}}})
	if res, text := do(t, "GET", h.Addresses().Yard+"charger", ""); res != nil {
		t.Errorf("it answers %d %s", res.StatusCode, text)
	}
}

func TestClosingDoesNotWaitForSlowAnswers(t *testing.T) {
	h := startHouse(t, 1, Options{Faults: []Fault{{Kind: Slow, Link: LinkYard, By: 24 * time.Hour, For: 24 * time.Hour}}})
	answered := make(chan struct{})
	go func() {
		do(t, "PUT", h.Addresses().Yard+"charger/control", `{"control": "remote"}`)
		close(answered)
	}()
	deadline := time.After(time.Minute)
	for len(h.Ledger()) == 0 {
		select {
		case <-deadline:
			t.Fatal("the command never arrived")
		case <-time.After(time.Millisecond):
		}
	}
	if err := h.Close(); err != nil {
		t.Error(err)
	}
	<-answered
}

func TestFaultAtStartThatCannotBe(t *testing.T) {
	if _, err := Start(Options{Clock: fast{storyStart(t), time.Now(), 1}, Faults: []Fault{{Kind: "flood"}}}); err == nil {
		t.Error("taken")
	}
}

func TestCalendarOverHTTP(t *testing.T) {
	h := startHouse(t, 300, Options{})
	url := h.Addresses().Calendar
	res, text := do(t, "GET", url, "")
	tag := res.Header.Get("ETag")
	if res.StatusCode != 200 || tag == "" || !strings.HasPrefix(res.Header.Get("Content-Type"), "text/calendar") {
		t.Fatalf("%d, %v", res.StatusCode, res.Header)
	}
	cal, err := ics.ParseCalendar(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	if n := len(cal.Events()); n != 2 {
		t.Fatalf("%d events:\n%s", n, text)
	}
	for _, want := range []string{
		"DTSTART;TZID=Europe/London:20261014T003000\r\n", "DTEND;TZID=Europe/London:20261014T043000\r\n", "RRULE:FREQ=DAILY\r\n",
		"CATEGORIES:night-rate\r\n", "DTSTART;TZID=Europe/London:20261014T030000\r\n", "BEGIN:DAYLIGHT\r\n", "BEGIN:STANDARD\r\n",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	if res, text := do(t, "GET", url, "", "If-None-Match", tag); res.StatusCode != 304 || text != "" {
		t.Errorf("unchanged: %d %q", res.StatusCode, text)
	}

	if !h.Calendar.Move(SurplusUID, clockAt(t, 2, 0, 0), clockAt(t, 3, 0, 0)) {
		t.Error("no surplus to move")
	}
	res, text = do(t, "GET", url, "", "If-None-Match", tag)
	if res.StatusCode != 200 || !strings.Contains(text, "DTSTART;TZID=Europe/London:20261014T020000") || !strings.Contains(text, "SEQUENCE:1") {
		t.Errorf("moved: %d\n%s", res.StatusCode, text)
	}
	h.Calendar.Edit(SurplusUID, func(e *Event) { e.Cancelled, e.Priority = true, 3 })
	if text := h.Calendar.Text(); !strings.Contains(text, "STATUS:CANCELLED") || !strings.Contains(text, "SEQUENCE:2") || !strings.Contains(text, "PRIORITY:3") {
		t.Errorf("cancelled:\n%s", text)
	}
	if !h.Calendar.Remove(SurplusUID) || h.Calendar.Remove(SurplusUID) || strings.Contains(h.Calendar.Text(), SurplusUID) {
		t.Error("removed, it is there still")
	}
	if h.Calendar.Move(SurplusUID, time.Time{}, time.Time{}) {
		t.Error("what is gone was moved")
	}
	if all, unchanged := h.Calendar.Polls(); all != 3 || unchanged != 1 {
		t.Errorf("polls: %d, %d unchanged", all, unchanged)
	}
}

func TestCalendarFailsOnRequest(t *testing.T) {
	h := startHouse(t, 300, Options{})
	for _, c := range []struct {
		how    Answering
		status int
		holds  string
		whole  bool
	}{
		{Failing, 500, "", false}, {Missing, 404, "", false}, {Page, 200, "<!doctype html>", false},
		{Nothing, 200, "", false}, {CutOff, 200, "BEGIN:VEVENT", false}, {Well, 200, "BEGIN:VEVENT", true},
	} {
		h.Calendar.Answer(c.how)
		res, text := do(t, "GET", h.Addresses().Calendar, "")
		if res.StatusCode != c.status || !strings.Contains(text, c.holds) || strings.Contains(text, "END:VCALENDAR") != c.whole {
			t.Errorf("%s: %d %q", c.how, res.StatusCode, text)
		}
		if c.how == Nothing && text != "" {
			t.Errorf("nothing is %q", text)
		}
	}
	if res, _ := do(t, "PUT", h.Addresses().Calendar, ""); res.StatusCode != 405 {
		t.Errorf("PUT: %d", res.StatusCode)
	}
}

func TestReadingsOfARunningHouse(t *testing.T) {
	h := startHouse(t, 300, Options{History: 2, Faults: []Fault{
		{Kind: ByHand, Point: actions.Ref{Device: IceBankName, Point: "mode"}, Value: actions.Named("rest")},
	}})
	if len(h.Normals()) != len(h.Settings()) || len(h.Hands()) != 1 || len(h.Excess()) != 0 {
		t.Errorf("normals %v, settings %v, hands %v, excess %v", h.Normals(), h.Settings(), h.Hands(), h.Excess())
	}
	if !strings.HasPrefix(string(h.MeterCSV()), "time,value\n2026-10-11T23:00:00Z,") {
		t.Errorf("meter: %.80s", h.MeterCSV())
	}
	if w, _ := h.Peak(); w < 0 {
		t.Errorf("peak %v", w)
	}
}
