package ocpp

import (
	"context"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/coder/websocket"
	"github.com/google/go-cmp/cmp"

	"spillway/actions"
	"spillway/actions/link"
	"spillway/actions/link/linktest"
)

func open(t *testing.T, opener link.Opener, spec actions.Link, points ...*actions.Point) link.Link {
	t.Helper()
	if spec.Timeout == 0 {
		spec.Timeout = 5 * time.Second
	}
	l, err := opener(spec, points)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

func started(t *testing.T, version string) *box {
	t.Helper()
	b := newBox(t, version)
	t.Cleanup(b.Close)
	return b
}

func await(t *testing.T, what string, ok func() bool) {
	t.Helper()
	poll, end := time.NewTicker(5*time.Millisecond), time.NewTimer(10*time.Second)
	defer poll.Stop()
	defer end.Stop()
	for !ok() {
		select {
		case <-poll.C:
		case <-end.C:
			t.Fatalf("%s did not come about", what)
		}
	}
}

func reads(t *testing.T, l link.Link, p *actions.Point, want actions.Value) {
	t.Helper()
	var got actions.Value
	var err error
	defer func() {
		if t.Failed() {
			t.Logf("the last reading of %s: %v, %v", p.Ref, got, err)
		}
	}()
	await(t, p.Ref.String()+" = "+want.String(), func() bool {
		got, err = l.Read(t.Context(), p)
		return err == nil && got == want
	})
}

func failed(t *testing.T, err error, class link.Class, text string) {
	t.Helper()
	if err == nil || link.ClassOf(err) != class || !strings.Contains(err.Error(), text) {
		t.Errorf("got %v, want %s with %q", err, class, text)
	}
}

// learned waits until the link has asked the charger what it can do.
func learned(t *testing.T, l link.Link) {
	t.Helper()
	o := l.(*ocppLink)
	await(t, "what the charger can do", func() bool {
		o.mu.Lock()
		defer o.mu.Unlock()
		return o.able.level == 8
	})
}

// since returns what came after the first n calls, without questions.
func (b *box) since(n int) (calls []string, payloads []map[string]any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i, c := range b.calls[n:] {
		if c == "TriggerMessage" || c == "GetCompositeSchedule" {
			continue
		}
		var p map[string]any
		_ = json.Unmarshal(b.payloads[n+i], &p)
		calls, payloads = append(calls, c), append(payloads, p)
	}
	return calls, payloads
}

func (b *box) count() int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return len(b.calls)
}

// A lent limit stands on the greatest level, has begun and ends; a kept one stands below and does not end.
func TestProfiles16(t *testing.T) {
	b := started(t, "ocpp1.6")
	current, charging := point("current"), point("charging")
	l := open(t, openAlone, b.Spec(), current, charging)
	learned(t, l)
	reads(t, l, charging, actions.Named("off"))

	n := b.count()
	until := time.Now().Add(90 * time.Minute).Truncate(time.Second)
	if err := l.(link.Lender).Lend(t.Context(), current, actions.Number(10), link.Term{For: time.Until(until), Until: until}); err != nil {
		t.Fatal(err)
	}
	calls, payloads := b.since(n)
	if diff := cmp.Diff([]string{"SetChargingProfile"}, calls); diff != "" {
		t.Fatal(diff)
	}
	p := payloads[0]["csChargingProfiles"].(map[string]any)
	from, err := time.Parse(time.RFC3339, p["validFrom"].(string))
	if err != nil || time.Since(from) < 50*time.Second || time.Since(from) > 2*time.Minute {
		t.Errorf("it begins at %v, %v; a minute ago is safe", from, err)
	}
	schedule := p["chargingSchedule"].(map[string]any)
	if d := schedule["duration"].(float64); d != until.Sub(from).Seconds() {
		t.Errorf("it lasts %v s, want %v", d, until.Sub(from).Seconds())
	}
	delete(schedule, "duration")
	delete(schedule, "startSchedule")
	delete(p, "validFrom")
	want := map[string]any{"connectorId": 1.0, "csChargingProfiles": map[string]any{
		"chargingProfileId": 8601.0, "stackLevel": 8.0, "chargingProfilePurpose": "TxDefaultProfile", "chargingProfileKind": "Absolute",
		"validTo": stamp(until), "chargingSchedule": map[string]any{
			"chargingRateUnit": "A", "chargingSchedulePeriod": []any{map[string]any{"startPeriod": 0.0, "limit": 10.0}},
		},
	}}
	if diff := cmp.Diff(want, payloads[0]); diff != "" {
		t.Error(diff)
	}

	if err := l.Write(t.Context(), charging, actions.Named("on")); err != nil {
		t.Fatal(err)
	}
	reads(t, l, charging, actions.Named("on"))
	n = b.count()
	if err := l.Write(t.Context(), current, actions.Number(16)); err != nil {
		t.Fatal(err)
	}
	calls, payloads = b.since(n)
	if diff := cmp.Diff([]string{"SetChargingProfile", "SetChargingProfile", "ClearChargingProfile", "ClearChargingProfile"}, calls); diff != "" {
		t.Fatal(diff)
	}
	kept, tx := payloads[0]["csChargingProfiles"].(map[string]any), payloads[1]["csChargingProfiles"].(map[string]any)
	if kept["stackLevel"] != 7.0 || kept["validTo"] != nil || kept["chargingSchedule"].(map[string]any)["duration"] != nil {
		t.Errorf("the kept profile is %v", kept)
	}
	if tx["chargingProfilePurpose"] != "TxProfile" || tx["transactionId"] == nil {
		t.Errorf("the profile of the transaction is %v", tx)
	}
	reads(t, l, current, actions.Number(16))

	n = b.count()
	if err := l.Write(t.Context(), current, actions.Number(32)); err != nil { // the end of the range: none
		t.Fatal(err)
	}
	if calls, _ = b.since(n); strings.Join(calls, " ") != strings.Repeat("ClearChargingProfile ", 3)+"ClearChargingProfile" {
		t.Errorf("no limit is %v", calls)
	}
	b.mu.Lock()
	b.none = true
	b.mu.Unlock()
	reads(t, l, current, actions.Number(32))
}

func TestProfiles201(t *testing.T) {
	b := started(t, "ocpp2.0.1")
	current, charging := point("current"), point("charging")
	l := open(t, openAlone, b.Spec(), current, charging)
	learned(t, l)
	if err := l.Write(t.Context(), charging, actions.Named("on")); err != nil {
		t.Fatal(err)
	}
	reads(t, l, charging, actions.Named("on"))
	n := b.count()
	until := time.Now().Add(time.Hour).Truncate(time.Second)
	if err := l.(link.Lender).Lend(t.Context(), current, actions.Number(7.5), link.Term{For: time.Until(until), Until: until}); err != nil {
		t.Fatal(err)
	}
	calls, payloads := b.since(n)
	if diff := cmp.Diff([]string{"SetChargingProfile", "SetChargingProfile"}, calls); diff != "" {
		t.Fatal(diff)
	}
	p := payloads[1]["chargingProfile"].(map[string]any)
	schedule := p["chargingSchedule"].([]any)[0].(map[string]any)
	if schedule["duration"] == nil || schedule["startSchedule"] == nil || p["validFrom"] == nil || p["transactionId"] == "" {
		t.Errorf("the profile is %v", p)
	}
	for _, k := range []string{"duration", "startSchedule"} {
		delete(schedule, k)
	}
	b.mu.Lock()
	id := b.id
	b.mu.Unlock()
	delete(p, "validFrom")
	want := map[string]any{"evseId": 1.0, "chargingProfile": map[string]any{
		"id": 8602.0, "stackLevel": 8.0, "chargingProfilePurpose": "TxProfile", "chargingProfileKind": "Absolute", "transactionId": id,
		"validTo": stamp(until), "chargingSchedule": []any{map[string]any{
			"id": 1.0, "chargingRateUnit": "A", "chargingSchedulePeriod": []any{map[string]any{"startPeriod": 0.0, "limit": 7.5}},
		}},
	}}
	if diff := cmp.Diff(want, payloads[1]); diff != "" {
		t.Error(diff)
	}
	reads(t, l, current, actions.Number(7.5))
	if err := l.Write(t.Context(), charging, actions.Named("off")); err != nil {
		t.Fatal(err)
	}
	reads(t, l, charging, actions.Named("off"))
	n = b.count()
	if err := l.Write(t.Context(), charging, actions.Named("off")); err != nil { // it is off
		t.Fatal(err)
	}
	if calls, _ := b.since(n); len(calls) > 0 {
		t.Errorf("a transaction that is none was ended by %v", calls)
	}
}

// One of the two profiles accepted is accepted.
func TestOnePurposeRefused(t *testing.T) {
	for _, version := range []string{"ocpp1.6", "ocpp2.0.1"} {
		b := started(t, version)
		current, charging := point("current"), point("charging")
		l := open(t, openAlone, b.Spec(), current, charging)
		learned(t, l)
		if err := l.Write(t.Context(), charging, actions.Named("on")); err != nil {
			t.Fatal(err)
		}
		reads(t, l, charging, actions.Named("on"))
		for i, purpose := range []string{purposeTx + `"`, purposeDefault} {
			b.mu.Lock()
			b.refuses = purpose
			b.mu.Unlock()
			if err := l.Write(t.Context(), current, actions.Number(float64(10+i))); err != nil {
				t.Errorf("%s without %s: %v", version, purpose, err)
			}
			reads(t, l, current, actions.Number(float64(10+i)))
		}
		b.mu.Lock()
		b.refuses = "SetChargingProfile"
		b.mu.Unlock()
		failed(t, l.Write(t.Context(), current, actions.Number(8)), link.Refused, "Rejected")
	}
}

func TestStatus16(t *testing.T) {
	b := started(t, "ocpp1.6")
	plugged, charging := point("plugged"), point("charging")
	l := open(t, openAlone, b.Spec(), plugged, charging)
	reads(t, l, plugged, actions.Named("yes"))
	for _, c := range []struct{ status, plugged, charging string }{ // OCPP 1.6, 4.9
		{"Available", "no", "off"}, {"Preparing", "yes", "off"}, {"Charging", "yes", "on"}, {"SuspendedEV", "yes", "on"},
		{"SuspendedEVSE", "yes", "on"}, {"Finishing", "yes", "off"}, {"Reserved", "no", "off"}, {"Charging", "yes", "on"}, {"Faulted", "yes", "on"},
	} {
		b.call("StatusNotification", `{"connectorId": 1, "errorCode": "NoError", "status": "`+c.status+`"}`)
		b.call("StatusNotification", `{"connectorId": 0, "errorCode": "NoError", "status": "Available"}`)
		b.call("StatusNotification", `{"connectorId": 2, "errorCode": "NoError", "status": "Available"}`)
		reads(t, l, plugged, actions.Named(c.plugged))
		reads(t, l, charging, actions.Named(c.charging))
	}
}

func TestMeterValues(t *testing.T) {
	tests := []struct {
		name          string
		samples       string
		power, energy float64 // -1: none
		offered       float64
	}{
		{"the default is energy in Wh (OCPP 1.6, 7.43)", `{"value": "1234.5"}`, -1, 1234.5, -1},
		{"units", `{"value": "7.36", "measurand": "Power.Active.Import", "unit": "kW"}, {"value": "12", "unit": "kWh"}`, 7360, 12000, -1},
		{"phases are added", `{"value": "1000", "measurand": "Power.Active.Import", "phase": "L1"}, {"value": "1100", "measurand": "Power.Active.Import", "phase": "L2"},
			{"value": "0.9", "measurand": "Power.Active.Import", "phase": "L3", "unit": "kW"}`, 3000, -1, -1},
		{"a total counts before phases", `{"value": "1000", "measurand": "Power.Active.Import", "phase": "L1"}, {"value": "950", "measurand": "Power.Active.Import"}`, 950, -1, -1},
		{"of currents the greatest", `{"value": "6", "measurand": "Current.Offered", "phase": "L1"}, {"value": "8", "measurand": "Current.Offered", "phase": "L2"}`, -1, -1, 8},
		{"version 2.0.1", `{"value": 7.4, "measurand": "Power.Active.Import", "unitOfMeasure": {"unit": "W", "multiplier": 3}}`, 7400, -1, -1},
		{"signed data", `{"value": "beef", "format": "SignedData"}`, -1, -1, -1},
		{"elsewhere", `{"value": "5", "measurand": "Power.Active.Import", "location": "Inlet"}`, -1, -1, -1},
		{"no number", `{"value": "NaN"}, {"value": null}, {"value": {}}, {}`, -1, -1, -1},
		{"another unit", `{"value": "5", "unit": "varh"}`, -1, -1, -1},
		{"wild multiplier", `{"value": 5, "unitOfMeasure": {"multiplier": 300}}`, -1, -1, -1},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var values []meterValue
			if err := json.Unmarshal([]byte(`[{"sampledValue": [`+tt.samples+`]}]`), &values); err != nil {
				t.Fatal(err)
			}
			got := readMeter(values)
			for name, c := range map[string]struct {
				got  known[float64]
				want float64
			}{"power": {got.power, tt.power}, "energy": {got.energy, tt.energy}, "offered": {got.offered, tt.offered}} {
				if c.got.heard != (c.want >= 0) || c.got.heard && c.got.value != c.want {
					t.Errorf("%s is %v, want %v", name, c.got, c.want)
				}
			}
		})
	}
}

func TestMeterPoints(t *testing.T) {
	for _, version := range []string{"ocpp1.6", "ocpp2.0.1"} {
		b := started(t, version)
		power, energy := point("power"), point("energy")
		l := open(t, openAlone, b.Spec(), power, energy)
		learned(t, l)
		stampNow := stamp(time.Now())
		if version == "ocpp1.6" {
			b.call("MeterValues", `{"connectorId": 1, "meterValue": [{"timestamp": "`+stampNow+`", "sampledValue": [
				{"value": "2200", "measurand": "Power.Active.Import", "unit": "W"}, {"value": "4500"}]}]}`)
			b.call("MeterValues", `{"connectorId": 2, "meterValue": [{"timestamp": "`+stampNow+`", "sampledValue": [{"value": "9"}]}]}`)
		} else {
			b.call("TransactionEvent", `{"eventType": "Updated", "timestamp": "`+stampNow+`", "triggerReason": "MeterValuePeriodic", "seqNo": 3,
				"transactionInfo": {"transactionId": "t1", "chargingState": "Charging"}, "evse": {"id": 1}, "meterValue": [{"timestamp": "`+stampNow+`", "sampledValue": [
				{"value": 2200, "measurand": "Power.Active.Import", "unitOfMeasure": {"unit": "W"}}, {"value": 4.5, "unitOfMeasure": {"unit": "kWh"}}]}]}`)
		}
		reads(t, l, power, actions.Number(2200))
		reads(t, l, energy, actions.Number(4.5))
	}
}

func TestOpenRefuses(t *testing.T) {
	certs := linktest.NewCerts(t)
	good := "ocpp://127.0.0.1:0/CP1"
	wrong := point("plugged")
	wrong.Write = &actions.Address{Path: "plugged"}
	tests := []struct {
		name  string
		spec  actions.Link
		point *actions.Point
		want  string
	}{
		{"no port", actions.Link{URL: "ocpp://127.0.0.1/CP1"}, nil, "write its url"},
		{"no station", actions.Link{URL: "ocpp://127.0.0.1:1/"}, nil, "no station"},
		{"two stations", actions.Link{URL: "ocpp://127.0.0.1:1/a/b"}, nil, "no station"},
		{"another protocol", actions.Link{URL: "ws://127.0.0.1:1/CP1"}, nil, "no OCPP"},
		{"connector", actions.Link{URL: good + "?connector=none"}, nil, "connector"},
		{"beyond loopback", actions.Link{URL: "ocpp://0.0.0.0:1/CP1"}, nil, "password"},
		{"TLS without a certificate", actions.Link{URL: "ocpps://127.0.0.1:1/CP1"}, nil, "cert_file"},
		{"no such certificate", actions.Link{URL: "ocpps://127.0.0.1:1/CP1", CertFile: "none.pem", KeyFile: certs.ServerKey}, nil, "none.pem"},
		{"no such point", actions.Link{URL: good}, point("mode"), "not \"mode\""},
		{"read only", actions.Link{URL: good}, wrong, "only be read"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var points []*actions.Point
			if tt.point != nil {
				points = append(points, tt.point)
			}
			l, err := openAlone(tt.spec, points)
			if err == nil {
				l.Close()
			}
			failed(t, err, link.Impossible, tt.want)
		})
	}
	_, err := os.Stat(certs.CAFile)
	if err != nil {
		t.Error(err)
	}
}

func TestPassword(t *testing.T) {
	b := started(t, "ocpp1.6")
	b.mu.Lock()
	b.password = "correct-horse"
	b.mu.Unlock()
	current := point("current")
	l := open(t, openAlone, b.Spec(), current)
	reads(t, l, current, actions.Number(0))

	wrong := started(t, "ocpp1.6")
	spec := wrong.Spec()
	spec.Password = "correct-horse"
	l = open(t, openAlone, spec, current)
	await(t, "a charger without its password", func() bool {
		_, err := l.Read(t.Context(), current)
		return link.ClassOf(err) == link.Unreachable && strings.Contains(err.Error(), "wrong user or password")
	})
}

// Several links share an address, each with its station.
func TestHub(t *testing.T) {
	b := started(t, "ocpp2.0.1")
	hub := NewHub()
	current := point("current")
	other := b.Spec()
	other.URL = strings.Replace(other.URL, "CP1", "CP2", 1)
	second := open(t, hub.Open, other, current)
	l := open(t, hub.Open, b.Spec(), current)
	reads(t, l, current, actions.Number(0))
	_, err := second.Read(t.Context(), current)
	failed(t, err, link.Unreachable, "has not come yet")

	stranger := strings.Replace(strings.Replace(b.Spec().URL, "ocpp", "http", 1), "CP1", "CP3", 1)
	for _, upgrade := range []string{"", "websocket"} {
		r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, stranger, nil)
		if err != nil {
			t.Fatal(err)
		}
		want := "has not come yet"
		if upgrade != "" {
			r.Header.Set("Connection", "Upgrade")
			r.Header.Set("Upgrade", upgrade)
			want = `a charger came as "CP3", not as "CP2": let the name`
		}
		resp, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		_ = resp.Body.Close()
		await(t, want, func() bool {
			_, err := second.Read(t.Context(), current)
			return link.ClassOf(err) == link.Unreachable && strings.Contains(err.Error(), want)
		})
	}
	reads(t, l, current, actions.Number(0)) // which has its charger
	_, err = hub.Open(b.Spec(), nil)
	failed(t, err, link.Impossible, "another link waits")
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	again := open(t, hub.Open, b.Spec(), current)
	reads(t, again, current, actions.Number(0))
	for path, want := range map[string]int{"/CP3": http.StatusNotFound, "/CP2": http.StatusUpgradeRequired} {
		resp, err := http.Get("http://" + b.address + path)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if resp.StatusCode != want {
			t.Errorf("%s answers %d, want %d", path, resp.StatusCode, want)
		}
	}
	http.DefaultClient.CloseIdleConnections()
}

// An address that is taken is waited for.
func TestAddressTaken(t *testing.T) {
	b := started(t, "ocpp1.6")
	first := httptest.NewUnstartedServer(http.NotFoundHandler())
	first.Listener.Close()
	current := point("current")
	holder := open(t, openAlone, b.Spec(), current)
	reads(t, holder, current, actions.Number(0))
	l := open(t, openAlone, b.Spec(), current)
	await(t, "the reason", func() bool {
		_, err := l.Read(t.Context(), current)
		return link.ClassOf(err) == link.Unreachable && strings.Contains(err.Error(), "address already in use")
	})
	holder.Close()
	reads(t, l, current, actions.Number(0))
}

func TestTLS(t *testing.T) {
	certs := linktest.NewCerts(t)
	address := port(t)
	current := point("current")
	l := open(t, openAlone, actions.Link{URL: "ocpps://" + address + "/CP1", CertFile: certs.ServerFile, KeyFile: certs.ServerKey}, current)
	config, err := link.TLS(actions.Link{CAFile: certs.CAFile})
	if err != nil {
		t.Fatal(err)
	}
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: config, DisableKeepAlives: true}}
	var ws *websocket.Conn
	await(t, "a conversation", func() bool {
		ws, _, err = websocket.Dial(t.Context(), "wss://"+address+"/CP1", &websocket.DialOptions{Subprotocols: []string{"ocpp1.6"}, HTTPClient: client})
		return err == nil
	})
	defer ws.CloseNow()
	await(t, "the session", func() bool { return l.Session() == 1 })
}

// hand opens a conversation that the test leads by itself.
func hand(t *testing.T, l link.Link, address, version string) *websocket.Conn {
	t.Helper()
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
	var ws *websocket.Conn
	before := l.Session()
	await(t, "a conversation", func() bool {
		var err error
		ws, _, err = websocket.Dial(t.Context(), "ws://"+address+"/CP1", &websocket.DialOptions{Subprotocols: []string{version}, HTTPClient: client})
		return err == nil
	})
	t.Cleanup(func() { ws.CloseNow() })
	await(t, "the session", func() bool { return l.Session() > before })
	return ws
}

// The newest conversation counts; the one before is ended.
func TestComesAgain(t *testing.T) {
	address := port(t)
	l := open(t, openAlone, actions.Link{URL: "ocpp://" + address + "/CP1"}, point("current"))
	first := hand(t, l, address, "ocpp1.6")
	hand(t, l, address, "ocpp1.6")
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	if _, _, err := first.Read(ctx); err == nil || ctx.Err() != nil {
		t.Errorf("the first conversation goes on: %v", err)
	}
}

func TestHostileChargers(t *testing.T) {
	for name, message := range map[string]string{
		"no JSON": "hello", "no array": `{"a": 1}`, "no type": `["x", "1", "Heartbeat", {}]`, "another type": `[9, "1", {}]`,
		"no id": `[2, "", "Heartbeat", {}]`, "no payload": `[2, "1", "Heartbeat"]`, "short error": `[4, "1"]`,
	} {
		t.Run(name, func(t *testing.T) {
			address, current := port(t), point("current")
			l := open(t, openAlone, actions.Link{URL: "ocpp://" + address + "/CP1"}, current)
			ws := hand(t, l, address, "ocpp1.6")
			for range 20 {
				_ = ws.Write(t.Context(), websocket.MessageText, []byte(message))
			}
			await(t, "the end", func() bool {
				_, err := l.Read(ended(), current)
				return strings.Contains(err.Error(), "the charger sends")
			})
		})
	}
	t.Run("an answer to nothing", func(t *testing.T) {
		address := port(t)
		l := open(t, openAlone, actions.Link{URL: "ocpp://" + address + "/CP1"}, point("current"))
		ws := hand(t, l, address, "ocpp2.0.1")
		for _, message := range []string{`[3, "s99", {}]`, `[4, "s99", "GenericError", "", {}]`, `[2, "1", "Heartbeat", {}]`} {
			if err := ws.Write(t.Context(), websocket.MessageText, []byte(message)); err != nil {
				t.Fatal(err)
			}
		}
		_, answer, err := ws.Read(t.Context())
		if err != nil || !strings.HasPrefix(string(answer), `[3,"1",{"currentTime":`) {
			t.Errorf("got %s, %v", answer, err)
		}
	})
	t.Run("no subprotocol", func(t *testing.T) {
		address, current := port(t), point("current")
		l := open(t, openAlone, actions.Link{URL: "ocpp://" + address + "/CP1"}, current)
		client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}}
		await(t, "the reason", func() bool {
			if ws, _, err := websocket.Dial(t.Context(), "ws://"+address+"/CP1", &websocket.DialOptions{HTTPClient: client}); err == nil {
				defer ws.CloseNow()
				_, _, _ = ws.Read(t.Context())
			}
			_, err := l.Read(t.Context(), current)
			return strings.Contains(err.Error(), "neither OCPP 1.6 nor 2.0.1")
		})
	})
}

// ended returns a context that is over, so that nothing is asked of a charger that is there.
func ended() context.Context {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	return ctx
}

func TestUnknownCalls(t *testing.T) {
	for _, d := range []dialect{newV16(1), &v201{evse: 1}} {
		if _, failure := d.obey(newSeen(), "MakeCoffee", []byte("{}")); failure == nil || failure.code != "NotImplemented" {
			t.Errorf("%T: %v", d, failure)
		}
		if _, failure := d.obey(newSeen(), "StatusNotification", []byte("[]")); failure == nil || failure.code != "FormationViolation" {
			t.Errorf("%T: %v", d, failure)
		}
	}
}

func FuzzFrame(f *testing.F) {
	for _, s := range []string{
		`[2,"1","BootNotification",{"chargePointVendor":"v"}]`, `[3,"1",{}]`, `[4,"1","NotSupported","",{}]`, `[2,"1",2,3]`, `[]`, `[[[`,
	} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		m, err := parseFrame(b)
		if err == nil && (m.id == "" || m.kind < typeCall || m.kind > typeError || m.kind == typeCall && m.action == "") {
			t.Errorf("%s became %+v", b, m)
		}
	})
}

// Whatever a charger calls, there is an answer that is JSON, and what is seen stays sane.
func FuzzObey(f *testing.F) {
	for _, action := range []string{"StatusNotification", "StartTransaction", "StopTransaction", "MeterValues", "TransactionEvent", "Authorize", "Nonsense"} {
		f.Add(action, []byte(`{"connectorId": 1, "evseId": 1, "transactionId": 5, "status": "Charging", "connectorStatus": "Occupied", "eventType": "Updated",
			"transactionInfo": {"transactionId": "x"}, "meterValue": [{"sampledValue": [{"value": "1e9", "phase": "L1", "unit": "kW"}]}]}`))
	}
	f.Fuzz(func(t *testing.T, action string, payload []byte) {
		for _, d := range []dialect{newV16(1), &v201{evse: 1}} {
			s := newSeen()
			answer, failure := d.obey(s, action, payload)
			if (answer == nil) == (failure == nil) {
				t.Fatalf("%v, %v", answer, failure)
			}
			if _, err := json.Marshal(answer); err != nil {
				t.Error(err)
			}
			if s.running.value && !s.plugged.value {
				t.Errorf("%s %s: it charges and is not plugged in", action, payload)
			}
		}
	})
}
