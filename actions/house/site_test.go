package house

import (
	"fmt"
	"math"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"spillway/actions"
)

func TestGatewayLosesWhatComesTooSoon(t *testing.T) {
	s := newSite(t, 1)
	start := s.Now()
	send := func(after time.Duration, topic, payload string) { s.Publish(start.Add(after), topic, payload) }
	send(0, "barn/battery/mode/set", "charge")
	send(14999*time.Millisecond, "barn/ice/mode/set", "freeze") // another device, the same gateway
	send(20*time.Second, "barn/battery/charge_power/set", "4000")
	send(20*time.Second, "house/battery/mode/set", "idle") // another gateway
	send(35*time.Second, "barn/battery/charge_power/set", "4500")

	var got []string
	for _, e := range s.Ledger() {
		got = append(got, fmt.Sprint(e.Point, " ", e.Outcome))
	}
	want := []string{
		"barn_battery.mode accepted", "ice_bank.mode lost", "barn_battery.charge_power lost",
		"house_battery.mode accepted", "barn_battery.charge_power accepted",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	if g := s.Gateway(LinkBarn); g.Heard != 2 || g.Missed != 2 {
		t.Errorf("barn gateway: %+v", g)
	}
	if g := s.Gateway(LinkHouse); g.Heard != 1 || g.Missed != 0 {
		t.Errorf("house gateway: %+v", g)
	}
	if least, ok := s.Ledger().Closest(LinkBarn); !ok || least != 5001*time.Millisecond {
		t.Errorf("closest commands: %v, %v", least, ok)
	}
	if _, ok := s.Ledger().Closest(LinkHouse); ok {
		t.Error("one command has a distance")
	}
}

func TestGatewayTellsALittleLater(t *testing.T) {
	s := newSite(t, 1)
	s.Drain()
	s.Publish(s.Now(), "barn/battery/mode/set", "charge")
	told := func(after time.Duration) bool {
		s.Advance(clockAt(t, 0, 15, 0).Add(after))
		for _, m := range s.Drain() {
			if m == (Message{"barn/battery/mode", "charge"}) {
				return true
			}
		}
		return false
	}
	if told(499 * time.Millisecond) {
		t.Error("told at once")
	}
	if !told(2 * time.Second) {
		t.Error("not told after two seconds")
	}
}

func TestGatewayRefusesNonsense(t *testing.T) {
	for _, c := range []struct{ topic, payload string }{
		{"barn/battery/mode/set", "off"},
		{"barn/battery/mode/set", ""},
		{"barn/battery/charge_power/set", "5001"},
		{"barn/battery/charge_power/set", "-1"},
		{"barn/battery/charge_power/set", "NaN"},
		{"barn/battery/charge_power/set", "much"},
		{"barn/battery/level/set", "100"},
		{"barn/stove/mode/set", "on"},
	} {
		s := newSite(t, 1)
		s.Publish(s.Now(), c.topic, c.payload)
		if l := s.Ledger(); len(l) != 1 || l[0].Outcome != Refused || l[0].Why == "" {
			t.Errorf("%s %q: %v", c.topic, c.payload, l)
		}
		if len(s.Astray()) > 0 {
			t.Errorf("%s %q moved %v", c.topic, c.payload, s.Astray())
		}
	}
}

func TestBoostEndsByItself(t *testing.T) {
	boost := ref(t, "cylinder.boost")
	lengths := map[time.Duration]bool{}
	for seed := range uint64(20) {
		s := newSite(t, seed)
		start := s.Now()
		s.Write(start, boost, actions.Named("on"))
		s.Advance(start.Add(20 * time.Minute).Add(-time.Second))
		if v := s.Settings()[boost]; v != actions.Named("on") {
			t.Fatalf("seed %d: %v before 20 minutes", seed, v)
		}
		s.Advance(start.Add(25 * time.Minute))
		own := s.Ledger().Of(LinkBoilerRoom, Itself)
		if len(own) != 1 || own[0].After != actions.Named("off") {
			t.Fatalf("seed %d: %v after 25 minutes", seed, own)
		}
		lengths[own[0].At.Sub(start)] = true
	}
	if len(lengths) < 10 {
		t.Errorf("20 seeds give only %d lengths", len(lengths))
	}
}

func TestBoostAskedForAgainLastsAnew(t *testing.T) {
	boost := ref(t, "cylinder.boost")
	s := newSite(t, 1)
	start := s.Now()
	s.Write(start, boost, actions.Named("on"))
	s.Write(start.Add(15*time.Minute), boost, actions.Named("on"))
	s.Advance(start.Add(34 * time.Minute))
	if v := s.Settings()[boost]; v != actions.Named("on") {
		t.Errorf("%v 19 minutes after it was asked for again", v)
	}
	s.Advance(start.Add(40 * time.Minute))
	if v := s.Settings()[boost]; v != actions.Named("off") {
		t.Errorf("%v 25 minutes after it was asked for again", v)
	}
}

func TestBoxes(t *testing.T) {
	s := newSite(t, 1)
	for _, c := range []struct {
		name, link, method, path, body string
		status                         int
		want                           string
	}{
		{"cylinder as it is", LinkBoilerRoom, "GET", "/cylinder", "", 200, `{"boost":false,"heating":"programme","temperature_c":51}`},
		{"boost on", LinkBoilerRoom, "PUT", "/cylinder/boost", `{"on": true}`, 204, ""},
		{"heating standby", LinkBoilerRoom, "PUT", "/cylinder/heating", `{"setting": "standby"}`, 204, ""},
		{"cylinder changed", LinkBoilerRoom, "GET", "/cylinder", "", 200, `{"boost":true,"heating":"standby","temperature_c":51}`},
		{"boost by a word", LinkBoilerRoom, "PUT", "/cylinder/boost", `{"on": "on"}`, 400, ""},
		{"boost by nothing", LinkBoilerRoom, "PUT", "/cylinder/boost", `{}`, 400, ""},
		{"boost by rubbish", LinkBoilerRoom, "PUT", "/cylinder/boost", `on`, 400, ""},
		{"unknown setting", LinkBoilerRoom, "PUT", "/cylinder/heating", `{"setting": "hot"}`, 422, ""},
		{"POST", LinkBoilerRoom, "POST", "/cylinder/boost", `{"on": true}`, 405, ""},
		{"temperature", LinkBoilerRoom, "PUT", "/cylinder/temperature", `{"c": 60}`, 404, ""},
		{"elsewhere", LinkBoilerRoom, "GET", "/", "", 404, ""},
		{"charger as it is", LinkYard, "GET", "/charger", "", 200, `{"control":"local","current_a":0,"need_kwh":14,"plugged":true}`},
		{"current while local", LinkYard, "PUT", "/charger/current", `{"current_a": 16}`, 409, ""},
		{"remote", LinkYard, "PUT", "/charger/control", `{"control": "remote"}`, 204, ""},
		{"current", LinkYard, "PUT", "/charger/current", `{"current_a": 16}`, 204, ""},
		{"too little current", LinkYard, "PUT", "/charger/current", `{"current_a": 5}`, 422, ""},
		{"half an ampere", LinkYard, "PUT", "/charger/current", `{"current_a": 7.5}`, 422, ""},
		{"too much current", LinkYard, "PUT", "/charger/current", `{"current_a": 33}`, 422, ""},
		{"charger changed", LinkYard, "GET", "/charger", "", 200, `{"control":"remote","current_a":16,"need_kwh":14,"plugged":true}`},
	} {
		a := s.Request(s.Now(), c.link, c.method, c.path, []byte(c.body))
		if a.Status != c.status || c.want != "" && a.Body != c.want {
			t.Errorf("%s: %d %s, want %d %s", c.name, a.Status, a.Body, c.status, c.want)
		}
		if a.Status >= 400 && !strings.Contains(a.Body, "error") {
			t.Errorf("%s: %d says nothing: %q", c.name, a.Status, a.Body)
		}
	}
	if refused := len(s.Ledger()) - 4; refused != 10 {
		t.Errorf("%d refused commands in the ledger, want 10:\n%v", refused, s.Ledger())
	}
}

func TestBoilerHouseIsSlowAtTimes(t *testing.T) {
	s := newSite(t, 3)
	slow := 0
	for range 400 {
		if d := s.Request(s.Now(), LinkBoilerRoom, http.MethodGet, "/cylinder", nil).Delay; d > 0 {
			slow++
			if d < 2*time.Second || d > 5*time.Second {
				t.Fatalf("it takes %v", d)
			}
		}
		if d := s.Request(s.Now(), LinkYard, http.MethodGet, "/charger", nil).Delay; d > 0 {
			t.Fatalf("the charger takes %v", d)
		}
	}
	if slow < 20 || slow > 100 {
		t.Errorf("%d of 400 answers are slow, want about 50", slow)
	}
}

func TestVanComesAndGoes(t *testing.T) {
	s := newSite(t, 1)
	plugged := ref(t, "van.plugged")
	for _, c := range []struct {
		at   time.Time
		want string
	}{
		{clockAt(t, 7, 49, 0), "yes"}, {clockAt(t, 7, 51, 0), "no"}, {clockAt(t, 17, 39, 0), "no"}, {clockAt(t, 17, 41, 0), "yes"},
	} {
		if v, _ := s.Read(c.at, plugged); v != actions.Named(c.want) {
			t.Errorf("at %s plugged is %v, want %s", c.at, v, c.want)
		}
	}
	if need := s.Snapshot().Level[Van]; need < 6 {
		t.Errorf("after a day out it needs %v kWh", need)
	}
}

// What the meter counts is what everything took less what it gave; what a battery stored is what it took less its losses.
func TestEnergyIsKept(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		s := newSite(t, rapid.Uint64().Draw(rt, "seed"))
		start := s.Now()
		refs := []string{
			"barn_battery.mode", "barn_battery.charge_power", "barn_battery.charge_limit", "house_battery.mode",
			"ice_bank.mode", "cylinder.boost", "cylinder.heating", "van.control", "van.current",
		}
		at := start
		for range rapid.IntRange(0, 30).Draw(rt, "commands") {
			at = at.Add(time.Duration(rapid.Int64Range(0, int64(3*time.Hour)).Draw(rt, "after")))
			c := s.cell(ref(t, rapid.SampledFrom(refs).Draw(rt, "point")))
			v := actions.Number(float64(rapid.IntRange(0, 5000).Draw(rt, "number")))
			if c.names != nil {
				v = actions.Named(rapid.SampledFrom(c.names).Draw(rt, "name"))
			}
			s.Write(at, c.ref, v)
		}
		s.Advance(at.Add(time.Hour))
		snap, metered := s.Snapshot(), 0.0
		for _, slot := range s.meter.slots {
			metered += slot.ImportWh
		}
		sum := 0.0
		for _, wh := range snap.Wh {
			sum += wh
		}
		if math.Abs(sum-metered) > 1e-6*math.Max(1, metered) {
			rt.Fatalf("the meter counts %v Wh, the devices %v", metered, sum)
		}
		for name, percent := range snap.Level {
			if name != Cylinder && name != Van && (percent < 0 || percent > 100+1e-9) {
				rt.Fatalf("%s at %v %%", name, percent)
			}
		}
		if snap.Level[Cylinder] > 55.001 || snap.Level[Cylinder] < 10 {
			rt.Fatalf("the cylinder is at %v °C", snap.Level[Cylinder])
		}
	})
}

// The model moves from change to change, so it must not matter how often it is asked.
func TestHowOftenItIsAskedDoesNotMatter(t *testing.T) {
	play := func(every time.Duration) (Snapshot, []Slot) {
		s := newSite(t, 7)
		s.Publish(s.Now(), "barn/battery/mode/set", "charge")
		end := s.Now().Add(9*time.Hour + 20*time.Minute)
		for at := s.Now(); at.Before(end); at = at.Add(every) {
			s.Advance(at)
		}
		s.Advance(end)
		return s.Snapshot(), s.Metered()
	}
	closely := cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) < 0.1 })
	wantSnap, wantSlots := play(24 * time.Hour)
	gotSnap, gotSlots := play(1234 * time.Millisecond)
	if diff := cmp.Diff(wantSnap, gotSnap, closely); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff(wantSlots, gotSlots, closely); diff != "" {
		t.Error(diff)
	}
}

func TestSameSeedSamePremises(t *testing.T) {
	play := func(seed uint64) (Ledger, []Slot) {
		s := newSite(t, seed)
		for _, f := range s.Mischief(seed, s.Now(), s.Now().Add(4*time.Hour), 20) {
			if err := s.Inject(f); err != nil {
				t.Fatal(err)
			}
		}
		for i := range 20 {
			s.Write(s.Now().Add(11*time.Minute), ref(t, "cylinder.boost"), onOff(i%2 == 0))
		}
		return s.Ledger(), s.Metered()
	}
	l1, m1 := play(5)
	l2, m2 := play(5)
	if diff := cmp.Diff(l1, l2); diff != "" {
		t.Error(diff)
	}
	if diff := cmp.Diff(m1, m2); diff != "" {
		t.Error(diff)
	}
	if l3, _ := play(6); cmp.Equal(l1, l3) {
		t.Error("another seed gives the same ledger")
	}
}

func FuzzBoxesAndGateways(f *testing.F) {
	f.Add("/cylinder/boost", "PUT", []byte(`{"on": true}`), "barn/battery/mode/set")
	f.Add("/charger/current", "PUT", []byte(`{"current_a": 1e308}`), "barn/battery/charge_power/set")
	f.Add("/charger", "GET", []byte{}, "/set")
	f.Fuzz(func(t *testing.T, path, method string, body []byte, topic string) {
		s := newSite(t, 1)
		for _, link := range []string{LinkBoilerRoom, LinkYard, "nowhere"} {
			s.Request(s.Now(), link, method, path, body)
		}
		s.Publish(s.Now(), topic, string(body))
		s.Advance(s.Now().Add(30 * time.Minute))
		for r, v := range s.Settings() {
			if c := s.cell(r); c.names == nil && !(v.Number >= c.lowest && v.Number <= c.most) {
				t.Errorf("%s is %v", r, v)
			}
		}
	})
}

func TestStillUntilABoxMovesSomething(t *testing.T) {
	s := newSite(t, 1)
	start := s.Now()
	if !s.Still(start.Add(24 * time.Hour)) {
		t.Error("something moves by itself, and nothing was done")
	}
	lent := actions.Ref{Device: Cylinder, Point: "heating"}
	if a := s.Lend(start, lent, actions.Named("standby"), 10*time.Minute); !a.OK() {
		t.Fatal(a.Why)
	}
	if ends := start.Add(10 * time.Minute); !s.Still(ends.Add(-time.Second)) || s.Still(ends) {
		t.Errorf("still until it ends: %t, at its end: %t", s.Still(ends.Add(-time.Second)), s.Still(ends))
	}
}
