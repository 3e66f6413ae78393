package page_test

import (
	"context"
	"math/big"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/shopspring/decimal"
	"go.uber.org/goleak"

	"spillway/actions"
	"spillway/actions/journal"
	"spillway/actions/run"
	"spillway/actions/settle"
	"spillway/cmd/spillway/page"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// at returns the instant of a time of day in London on Saturday 2 May 2026.
func at(hour, minute, second int) time.Time {
	return time.Date(2026, 5, 2, hour-1, minute, second, 0, time.UTC)
}

func ref(s string) actions.Ref {
	r, err := actions.ParseRef(s)
	if err != nil {
		panic(err)
	}
	return r
}

// A world is what a page stands on in these tests: all of it in memory, and what it was asked is kept.
type world struct {
	premises *actions.Premises
	now      time.Time

	mu     sync.Mutex
	snap   run.Snapshot
	newer  chan struct{}
	asked  []run.Event
	log    []actions.StepStanding
	kept   []journal.Window
	feeds  []page.Feed
	gained []settle.Result
	note   string
}

func (w *world) Snapshot() (run.Snapshot, <-chan struct{}) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.snap, w.newer
}

// change puts a newer state in place.
func (w *world) change(do func(*run.Snapshot)) {
	w.mu.Lock()
	defer w.mu.Unlock()
	do(&w.snap)
	close(w.newer)
	w.newer = make(chan struct{})
}

func (w *world) Ask(_ context.Context, e run.Event) error {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.asked = append(w.asked, e)
	return nil
}

func (w *world) moved() []run.Event {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.asked
}

func (w *world) Log(_ context.Context, q journal.Query) ([]actions.StepStanding, error) {
	var list []actions.StepStanding
	for _, l := range w.log {
		if (q.Device == "" || l.Step.Point.Device == q.Device) && !l.Step.At.Before(q.From) && (q.To.IsZero() || l.Step.At.Before(q.To)) {
			list = append(list, l)
		}
	}
	return list, nil
}

func (w *world) Windows(context.Context, time.Time, time.Time) ([]journal.Window, error) {
	return w.kept, nil
}
func (w *world) Settled() ([]settle.Result, string) { return w.gained, w.note }

// newWorld is a Saturday at ten past one: a surplus window is on and holds two settings, another is ahead, one that was
// stood down is still in the calendar, a link is down, and a window of last week waits for its credit.
func newWorld(t testing.TB) *world {
	t.Helper()
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	w := &world{now: at(13, 10, 0), newer: make(chan struct{})}
	w.premises = &actions.Premises{
		Zone:   zone,
		Supply: actions.Supply{LimitW: 13800, VoltageV: 230, Phases: 1},
		Links:  []actions.Link{{Name: "barn", Protocol: "mqtt"}, {Name: "boiler_house", Protocol: "http"}},
		Devices: []actions.Device{
			{Name: "barn_battery", Link: "barn", Kind: actions.Battery, Enabled: true, Points: []actions.Point{
				{Ref: ref("barn_battery.charge_power"), Unit: "W", Normal: actions.Number(3000)}, {Ref: ref("barn_battery.mode")}}},
			{Name: "cylinder", Link: "boiler_house", Kind: actions.Tank, Enabled: true, Points: []actions.Point{{Ref: ref("cylinder.boost")}}},
		},
	}
	w.plan()
	w.history(t)
	return w
}

func (w *world) plan() {
	window := func(id, title string, from, to time.Time, state actions.WindowState) actions.PlannedWindow {
		return actions.PlannedWindow{Window: actions.Window{ID: id, UID: id, Title: title, Procedure: "surplus", Start: from, End: to},
			State: state, LeadIn: from.Add(-10 * time.Minute), Done: to.Add(time.Minute), PeakKW: 7.2, LimitKW: 13.8}
	}
	step := func(id, win string, phase actions.Phase, when time.Time, point string, v actions.Value, release bool) actions.Step {
		return actions.Step{ID: id, Window: win, Phase: phase, At: when, Link: "barn", Point: ref(point), Value: v, Release: release, Why: "as the procedure says"}
	}
	w.snap = run.Snapshot{At: w.now, Standing: actions.NewStanding(), Readings: actions.Readings{}}
	w.snap.Plan = &actions.Plan{
		At: at(13, 0, 5),
		Windows: []actions.PlannedWindow{
			window("activewin1", "Free power", at(13, 0, 0), at(14, 0, 0), actions.Active),
			window("aheadwin01", "Free power, evening", at(19, 0, 0), at(20, 0, 0), actions.Far),
		},
		Steps: []actions.Step{
			step("s3", "activewin1", actions.PhaseRestore, at(14, 0, 0), "barn_battery.mode", actions.Named("own_use"), true),
			step("s4", "activewin1", actions.PhaseRestore, at(14, 0, 15), "barn_battery.charge_power", actions.Number(3000), true),
			step("s5", "aheadwin01", actions.PhaseDuring, at(19, 0, 0), "barn_battery.mode", actions.Named("charge"), false),
		},
		Profile: []actions.Slice{{From: at(13, 0, 0), To: at(14, 0, 0), Device: "", Phase: 1, KW: 0.8}, {From: at(13, 0, 0), To: at(14, 0, 0), Device: "barn_battery", Phase: 1, KW: 5}},
	}
	w.snap.Standing.Points[ref("barn_battery.mode")] = actions.PointStanding{Normal: actions.Named("own_use"), Owed: true, Value: actions.Named("charge"),
		Certain: true, Window: "activewin1", Since: at(13, 0, 0)}
	w.snap.Standing.Points[ref("barn_battery.charge_power")] = actions.PointStanding{Normal: actions.Number(3000), Owed: true, Value: actions.Number(5000),
		Certain: true, Window: "activewin1", Since: at(12, 58, 45)}
	w.snap.Standing.Down["downwin001"] = at(23, 0, 0)
	w.snap.Troubles = []run.Trouble{{Key: "link boiler_house", Where: "boiler_house", What: "cannot be reached: no answer; it is tried until it can", Since: at(12, 50, 0)}}
	w.kept = []journal.Window{{ID: "downwin001", Title: "Free power, late", Start: at(21, 0, 0), End: at(22, 0, 0), State: actions.Far}}
	w.feeds = []page.Feed{{Name: "house", Asked: at(13, 9, 0), Good: at(13, 9, 0), Next: at(13, 14, 0), Windows: 3}}
}

func (w *world) history(t testing.TB) {
	t.Helper()
	line := func(id string, phase actions.Phase, when time.Time, point string, v actions.Value, state actions.StepState, note string) actions.StepStanding {
		return actions.StepStanding{Step: actions.Step{ID: id, Window: "activewin1", Phase: phase, At: when, Point: ref(point), Value: v},
			State: state, Tries: 1, Sent: when, Settled: when.Add(2 * time.Second), ReadBack: v, Note: note}
	}
	w.log = []actions.StepStanding{
		line("s0", actions.PhaseLeadIn, at(12, 58, 45), "barn_battery.charge_power", actions.Number(5000), actions.Confirmed, ""),
		line("s1", actions.PhaseDuring, at(13, 0, 0), "barn_battery.mode", actions.Named("charge"), actions.Confirmed, ""),
		line("s2", actions.PhaseDuring, at(13, 0, 1), "cylinder.boost", actions.Named("on"), actions.Failed, "no answer"),
	}
	rate, credit := decimal.RequireFromString("0.245"), decimal.RequireFromString("1.20")
	w.gained = []settle.Result{{Window: actions.Window{ID: "last", Title: "Free power", Start: at(13, 0, 0).AddDate(0, 0, -7), End: at(14, 0, 0).AddDate(0, 0, -7)},
		Metered: big.NewRat(63, 10), Baseline: big.NewRat(14, 10), Gain: big.NewRat(49, 10), Rate: &rate, Currency: "GBP", Credit: &credit,
		ExpectedBy: at(14, 0, 0).AddDate(0, 0, 3), Method: "mean of 10 workdays"}}
}

func (w *world) options() page.Options {
	return page.Options{Premises: w.premises, State: w, Acts: w, Record: w, Settlement: w, Feeds: func() []page.Feed { return w.feeds },
		Now: func() time.Time { return w.now }, Locks: page.Locks{Listen: "127.0.0.1:8377"}}
}

// open returns a page over the world, with what change makes of its options.
func (w *world) open(t testing.TB, change func(*page.Options)) *page.Page {
	t.Helper()
	o := w.options()
	if change != nil {
		change(&o)
	}
	p, err := page.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// request makes a request as a browser on this machine would; head sets headers, "Name: value".
func request(method, target, body string, head ...string) *http.Request {
	r := httptest.NewRequest(method, target, strings.NewReader(body))
	r.Host = "127.0.0.1:8377"
	if method == http.MethodPost {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	for _, h := range head {
		name, value, _ := strings.Cut(h, ": ")
		switch name {
		case "Host":
			r.Host = value
		case "Type":
			r.Header.Set("Content-Type", value)
		default:
			r.Header.Add(name, value)
		}
	}
	return r
}

func do(h http.Handler, r *http.Request) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

// form opens a page with a form and returns its token and the cookie it is tied to.
func form(t testing.TB, h http.Handler, path string, head ...string) (token, cookie string) {
	t.Helper()
	res := do(h, request(http.MethodGet, path, "", head...))
	_, after, found := strings.Cut(res.Body.String(), `name="form" value="`)
	if !found {
		t.Fatalf("%s has no form: %d %s", path, res.Code, res.Body)
	}
	token, _, _ = strings.Cut(after, `"`)
	for _, c := range res.Result().Cookies() {
		cookie = c.Name + "=" + c.Value
	}
	return token, cookie
}
