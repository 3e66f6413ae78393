package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"spillway/actions"
	"spillway/actions/house"
	"spillway/actions/journal"
	"spillway/actions/publish"
	"spillway/actions/run"
	"spillway/actions/tell"
	"spillway/config"
)

// Every kind that can be configured is one that is told, and the other way round.
func TestFaultKindsAgree(t *testing.T) {
	var kinds []string
	for _, k := range tell.Kinds() {
		kinds = append(kinds, string(k))
	}
	if d := cmp.Diff(config.FaultKinds(), kinds); d != "" {
		t.Error(d)
	}
}

func TestFaultOf(t *testing.T) {
	for key, want := range map[string]tell.Kind{
		"clock": "clock", "journal": "journal", "restore cylinder.boost": "restore", "normal a.b": "point", "read a.b": "point",
		"link barn": "link", "something new": "other",
	} {
		f, ok := faultOf(run.Trouble{Key: key, Where: "here", What: "this"})
		if !ok || f.Kind != want || f.Key != strings.NewReplacer("normal ", "point ", "read ", "point ").Replace(key) || f.Where != "here" || f.What != "this" {
			t.Errorf("%s: %+v, %v", key, f, ok)
		}
	}
	if _, ok := faultOf(run.Trouble{Key: "feed house"}); ok {
		t.Error("a feed's fault is told twice: it is taken from the feed itself")
	}
}

// A problem that several windows have, with other figures each time the plan is made, is one fault.
func TestPlanFaults(t *testing.T) {
	at := time.Date(2026, 7, 4, 12, 0, 0, 0, time.UTC)
	window := func(in time.Duration, state actions.WindowState, problems ...string) actions.PlannedWindow {
		return actions.PlannedWindow{State: state, Problems: problems,
			Window: actions.Window{Title: "Free power", Start: at.Add(in), End: at.Add(in + time.Hour)}}
	}
	p := &actions.Plan{At: at, Windows: []actions.PlannedWindow{
		window(-time.Hour, actions.Completed, "it is over"), window(0, actions.Active, "battery_1 lacks 3.5 kWh", "the van is not plugged in"),
		window(time.Hour, actions.Cancelled, "stood down: it is not taken up again"), window(24*time.Hour, actions.Far, "battery_1 lacks 12 kWh", "battery_2 lacks 1 kWh"),
	}}
	var got []string
	for _, f := range planFaults(p, time.FixedZone("BST", 3600)) {
		got = append(got, fmt.Sprintf("%s | %s | %s | until %s", f.Key, f.Where, f.What, f.Ends.Format("2 Jan 15:04")))
	}
	want := []string{
		"plan battery_1 lacks # kWh | Free power, Sat 4 Jul 13:00 | battery_1 lacks 3.5 kWh | until 5 Jul 13:00",
		"plan the van is not plugged in | Free power, Sat 4 Jul 13:00 | the van is not plugged in | until 4 Jul 13:00",
		"plan battery_2 lacks # kWh | Free power, Sun 5 Jul 13:00 | battery_2 lacks 1 kWh | until 5 Jul 13:00",
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

// hook is a webhook that keeps what it was told.
type hook struct {
	*httptest.Server
	mu   sync.Mutex
	told []string // "fault link barn"
}

func newHook(t *testing.T) *hook {
	h := &hook{}
	h.Server = httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		var m struct {
			Items []struct{ State, Kind, Where, What string }
		}
		if err := json.Unmarshal(body, &m); err != nil {
			t.Error(err)
		}
		h.mu.Lock()
		defer h.mu.Unlock()
		for _, i := range m.Items {
			h.told = append(h.told, strings.Join(strings.Fields(i.State+" "+i.Kind+" "+i.Where), " ")+": "+i.What)
		}
	}))
	t.Cleanup(h.Close)
	return h
}

// count returns how many items of those told begin so.
func (h *hook) count(begin string) (n int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, s := range h.told {
		if strings.HasPrefix(s, begin) {
			n++
		}
	}
	return n
}

// TestTold runs the program into a box that is silent at lead-in and a restore that is not confirmed, and looks at what a
// webhook is told: each once, with an all-clear, and the window when it was taken.
func TestTold(t *testing.T) {
	h := newHook(t)
	s := newStage(t, "[tell.hook]\nurl = \""+h.URL+"/secret-path\"\nafter = \"1m\"\nwindows = true\nfaults = [\"link\", \"point\", \"restore\"]\n",
		window("told", 12*time.Minute, 10*time.Minute))
	t.Cleanup(func() {
		if t.Failed() {
			t.Logf("told: %v", h.told)
		}
	})
	for _, f := range []house.Fault{
		{Kind: house.Offline, Link: house.LinkBoilerRoom, At: s.start.Add(5 * time.Minute), For: 8 * time.Minute},
		{Kind: house.Offline, Link: house.LinkBarn, At: s.start.Add(21 * time.Minute), For: 12 * time.Minute},
	} {
		if err := s.house.Inject(f); err != nil {
			t.Fatal(err)
		}
	}
	s.begin()
	s.wait("the window to be told", func() bool { return h.count("taken Free power, Nether Sallow: ") == 1 })
	s.wait("the silent box to be told", func() bool { return h.count("fault link boiler_house") == 1 })
	s.wait("its all-clear", func() bool { return h.count("clear link boiler_house") == 1 })
	if n := h.count("fault point cylinder."); n > 0 {
		t.Errorf("%d points of a silent box are told besides", n)
	}
	s.wait("a restore to be told", func() bool {
		return h.count("fault restore barn_battery.") > 0 || h.count("fault restore ice_bank.") > 0
	})
	s.wait("everything to be in order again", func() bool {
		return h.count("clear restore") > 0 && h.count("clear restore") == h.count("fault restore")
	})
	h.mu.Lock()
	told := slices.Clone(h.told)
	h.mu.Unlock()
	seen := map[string]int{}
	for _, item := range told {
		about, _, _ := strings.Cut(item, ": ")
		if seen[about]++; seen[about] > 1 {
			t.Errorf("%s is told twice", about)
		}
		if !strings.HasPrefix(item, "taken") && !strings.Contains(item, " link ") && !strings.Contains(item, " point ") && !strings.Contains(item, " restore ") {
			t.Errorf("%s was not asked for", item)
		}
	}
	level := actions.Ref{Device: house.BarnBattery, Point: "charge_level"}
	if kept, err := s.daemon().journal.Readings(t.Context(), level, s.start.Add(12*time.Minute), s.start.Add(22*time.Minute)); err != nil || len(kept) < 5 {
		t.Errorf("of the ten minutes' levels %d were kept, %v", len(kept), err)
	}
	if strings.Contains(s.log.String(), "secret-path") {
		t.Error("the webhook's path is in the log")
	}
}

// A box that is out of reach is said once, and not for each of its points; what is still owed on it is.
func TestWrongOnASilentBox(t *testing.T) {
	d, _ := boiler(t, t.TempDir(), &handClock{now: time.Date(2026, 7, 4, 12, 0, 0, 0, time.UTC)})
	troubles := func(keys ...string) (list []run.Trouble) {
		for _, k := range keys {
			_, where, _ := strings.Cut(k, " ")
			list = append(list, run.Trouble{Key: k, Where: where, What: "it is so"})
		}
		return list
	}
	points := []string{"normal cylinder.temperature", "read cylinder.temperature", "restore cylinder.temperature", "read van.current"}
	for _, test := range []struct {
		keys   []string
		want   string
		behind string
	}{
		{points, "point cylinder.temperature, point cylinder.temperature, restore cylinder.temperature, point van.current", ""},
		{append([]string{"link boiler_house"}, points...), "link boiler_house, restore cylinder.temperature, point van.current",
			"point cylinder.temperature, point cylinder.temperature"},
	} {
		list, behind := d.wrong(run.Snapshot{Troubles: troubles(test.keys...)})
		var got []string
		for _, f := range list {
			got = append(got, f.Key)
		}
		if d := cmp.Diff([]string{test.want, test.behind}, []string{strings.Join(got, ", "), strings.Join(behind, ", ")}); d != "" {
			t.Error(d)
		}
	}
}

// A feed that fails is told when it is stale, and not before; then the page and the plan feed say it too, as they do of a
// tank that is overdue.
func TestToldOfAStaleFeed(t *testing.T) {
	h := newHook(t)
	s := newStage(t, "[tell.hook]\nurl = \""+h.URL+"\"\nfaults = [\"feed\"]\n")
	s.write(strings.NewReplacer(`poll = "2m"`, "poll = \"2m\"\nstale_after = \"20m\"", `level  = "temperature"`,
		"level  = \"temperature\"\nhygiene = { reach = \"60 °C\", every = \"1h\" }").Replace(s.text()) + "[tell.hook]\nurl = \"" + h.URL + "\"\nfaults = [\"feed\"]\n")
	s.remember(hygieneKey(house.Cylinder), hygieneRecord{Since: s.start.Add(-45 * time.Minute)})
	s.begin()
	s.wait("a good poll", func() bool { return !s.daemon().feedsSeen[0].feed.Current().Good.IsZero() })
	s.house.Calendar.Answer(house.Failing)
	good := s.daemon().feedsSeen[0].feed.Current().Good
	s.wait("a poll that fails", func() bool { return s.daemon().feedsSeen[0].feed.Current().Err != nil })
	early := false
	s.wait("the feed to be stale", func() bool {
		early = early || h.count("fault") > 0
		return s.clock.Now().Sub(good) > 19*time.Minute
	})
	if early {
		t.Errorf("told before it is stale: %v", h.told)
	}
	s.wait("the stale feed to be told", func() bool { return h.count("fault feed feed quillmere") == 1 })
	for _, fault := range []string{"feed quillmere", "cylinder"} {
		s.wait("the plan feed to say what is wrong with "+fault, func() bool {
			return slices.ContainsFunc(s.daemon().plan.Rendering("").Entries, func(e publish.Stamped) bool { return e.Entry.Summary == "Problem: "+fault })
		})
	}
	if page := s.page(); !strings.Contains(page, "2 things need a look") || !strings.Contains(page, "its hygiene temperature of 60 °C is overdue") {
		t.Errorf("the page: %s", page)
	}
}

// remember has the journal hold a value from before the program starts.
func (s *stage) remember(key string, value any) {
	s.t.Helper()
	j, err := journal.Open(filepath.Join(filepath.Dir(s.file), "state"), journal.Options{Now: s.clock.Now})
	if err != nil {
		s.t.Fatal(err)
	}
	raw, err := json.Marshal(value)
	if err = errors.Join(err, j.Put(s.t.Context(), key, raw), j.Close()); err != nil {
		s.t.Fatal(err)
	}
}

func (s *stage) page() string {
	s.t.Helper()
	r, err := http.Get(s.daemon().pageURL())
	if err != nil {
		s.t.Fatal(err)
	}
	defer r.Body.Close()
	body, err := io.ReadAll(r.Body)
	if err != nil {
		s.t.Fatal(err)
	}
	return string(body)
}
