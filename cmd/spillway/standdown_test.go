package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/house"
	"spillway/actions/journal"
)

// spillway runs a command line beside the stage's program.
func (s *stage) spillway(args ...string) (out string, code int) {
	var b bytes.Buffer
	code = execute(s.t.Context(), append(args, "--config", s.file), streams{In: strings.NewReader(""), Out: &b, Err: &b})
	return b.String(), code
}

func (s *stage) planned(id string) *actions.PlannedWindow {
	if p := s.snapshot().Plan; p != nil {
		return p.Window(id)
	}
	return nil
}

// commandsIn returns how many commands the devices saw from and before two times of the stage.
func (s *stage) commandsIn(from, to time.Duration) (n int) {
	for _, e := range s.house.Ledger().Of("", house.Command) {
		if in := e.At.Sub(s.start); in >= from && in < to {
			n++
		}
	}
	return n
}

// A window is named by its id, or by its title where one alone has it; what is wrong lists those there are.
func TestWindowNamed(t *testing.T) {
	at := time.Date(2026, 12, 5, 13, 0, 0, 0, time.UTC)
	one := stoodDown{"5gib3dyt2y", "Free power", at, at.Add(time.Hour)}
	night := stoodDown{"k5i2fvzodt", "Night rate", at.Add(12 * time.Hour), at.Add(16 * time.Hour)}
	next := stoodDown{"zl76yqjmj2", "Night rate", at.Add(36 * time.Hour), at.Add(40 * time.Hour)}
	all := []stoodDown{one, night, next}
	for name, want := range map[string]string{
		"5gib3dyt2y":  "5gib3dyt2y",
		" FREE power": "5gib3dyt2y",
		"zl76yqjmj2":  "zl76yqjmj2",
		"night rate":  "2 windows ahead are called night rate: write the id of one: k5i2fvzodt (Night rate, Sun 6 Dec 01:00), zl76yqjmj2 (Night rate, Mon 7 Dec 01:00)",
		"free": "there is no window free ahead: write the id or the title of one: 5gib3dyt2y (Free power, Sat 5 Dec 13:00), " +
			"k5i2fvzodt (Night rate, Sun 6 Dec 01:00), zl76yqjmj2 (Night rate, Mon 7 Dec 01:00)",
	} {
		w, err := windowNamed(name, isAhead, all, time.UTC)
		if got := w.ID; got != want && (err == nil || err.Error() != want) {
			t.Errorf("%q: %q, %v, want %s", name, got, err, want)
		}
	}
	many := make([]stoodDown, 9)
	if _, err := windowNamed("x", isAhead, many, time.UTC); err == nil || !strings.HasSuffix(err.Error(), ", and 3 more") {
		t.Errorf("nine windows: %v", err)
	}
}

func TestStandDown(t *testing.T) {
	s := newStage(t, "", window("first", 8*time.Minute, 12*time.Minute), window("second", 40*time.Minute, 12*time.Minute))
	first, second := actions.WindowID("first", time.Time{}), actions.WindowID("second", time.Time{})
	s.begin()
	s.wait("the windows to be planned", func() bool { return s.planned(first) != nil && s.planned(second) != nil })

	if out, code := s.spillway("standdown", "nosuchwind"); code != exitFailed || !strings.Contains(out, "there is no window nosuchwind ahead") {
		t.Errorf("exit %d: %s", code, out)
	}
	s.until(9 * time.Minute)
	s.wait("the first window to hold something", s.held)
	if out, code := s.spillway("standdown", "Free power, Nether Sallow"); code != exitFailed || !strings.Contains(out, first+" (Free power, Nether Sallow, Sat 4 Jul 10:08)") {
		t.Errorf("exit %d: %s", code, out)
	}
	out, code := s.spillway("standdown", first)
	if code != exitFine || !strings.Contains(out, "stood down: Sat 4 Jul 10:08 to 10:20, Free power, Nether Sallow") {
		t.Fatalf("exit %d: %s", code, out)
	}
	s.wait("all to be given back", func() bool { return !s.held() && len(s.snapshot().Owed()) == 0 })
	if now := s.clock.Now().Sub(s.start); now > 20*time.Minute {
		t.Fatal("the window is over already: this shows nothing")
	}
	if w := s.planned(first); w == nil || w.State != actions.Cancelled {
		t.Errorf("the window is %+v", w)
	}
	if _, code := s.spillway("standdown", first); code != exitFailed {
		t.Errorf("a window stands down twice: exit %d", code)
	}
	s.until(38 * time.Minute)
	s.wait("the second window to hold something", s.held)
}

// All windows until a time are stood down, also one that is announced later and begins at once; one after it is not.
func TestStandDownUntil(t *testing.T) {
	s := newStage(t, "", window("first", 8*time.Minute, 12*time.Minute), window("after", 60*time.Minute, 12*time.Minute))
	first, late, after := actions.WindowID("first", time.Time{}), actions.WindowID("late", time.Time{}), actions.WindowID("after", time.Time{})
	s.begin()
	s.wait("the windows to be planned", func() bool { return s.planned(first) != nil && s.planned(after) != nil })
	until := s.start.Add(50 * time.Minute)
	out, err := s.daemon().standDown(t.Context(), downRequest{Until: &until})
	if err != nil || len(out.Windows) != 1 || out.Windows[0].ID != first {
		t.Fatalf("%+v, %v", out, err)
	}
	s.until(12 * time.Minute)
	now := s.clock.Now()
	s.house.Calendar.Put(house.Event{UID: "late", Title: "Free power, Nether Sallow", Start: now, End: s.start.Add(30 * time.Minute)})
	s.wait("the late window to be planned", func() bool { return s.planned(late) != nil })
	if w := s.planned(late); w.State != actions.Cancelled {
		t.Errorf("the late window is %s", w.State)
	}
	s.hangUp("was read again and is in force") // it is remembered
	s.until(32 * time.Minute)
	s.house.Calendar.Put(house.Event{UID: "again", Title: "Free power, Nether Sallow", Start: s.clock.Now(), End: s.start.Add(49 * time.Minute)})
	s.wait("another window to be planned", func() bool { return s.planned(actions.WindowID("again", time.Time{})) != nil })
	s.until(50 * time.Minute)
	if n := s.commandsIn(0, 50*time.Minute); n > 0 {
		t.Errorf("the devices saw %d commands", n)
	}
	s.until(61 * time.Minute)
	s.wait("the window after it to hold something", s.held)
}

// A window that was stood down is taken up again and joined, though every window until a time is stood down, and all of
// them are where all are asked for.
func TestTakeUp(t *testing.T) {
	s := newStage(t, "", window("first", 8*time.Minute, 30*time.Minute), window("second", 50*time.Minute, 12*time.Minute))
	first, second := actions.WindowID("first", time.Time{}), actions.WindowID("second", time.Time{})
	s.begin()
	s.wait("the windows to be planned", func() bool { return s.planned(first) != nil && s.planned(second) != nil })
	if out, code := s.spillway("standdown", "--undo", first); code != exitFailed || !strings.Contains(out, "there is no window "+first+" ahead that is stood down") {
		t.Errorf("exit %d: %s", code, out)
	}
	s.until(9 * time.Minute)
	s.wait("the first window to hold something", s.held)
	until := s.start.Add(70 * time.Minute)
	if out, err := s.daemon().standDown(t.Context(), downRequest{Until: &until}); err != nil || len(out.Windows) != 2 {
		t.Fatalf("%+v, %v", out, err)
	}
	s.wait("all to be given back", func() bool { return !s.held() && len(s.snapshot().Owed()) == 0 })
	out, code := s.spillway("standdown", "--undo", first)
	if code != exitFine || !strings.Contains(out, "taken up again: Sat 4 Jul 10:08 to 10:38, Free power, Nether Sallow") {
		t.Fatalf("exit %d: %s", code, out)
	}
	s.wait("the window to be joined", s.held)
	polls, _ := s.house.Calendar.Polls()
	s.wait("two more polls", func() bool { now, _ := s.house.Calendar.Polls(); return now > polls+2 })
	if w := s.planned(first); w.State != actions.Active && w.State != actions.Completed {
		t.Errorf("after more polls the window is %s", w.State)
	}
	if w := s.planned(second); w.State != actions.Cancelled {
		t.Errorf("the other window is %s", w.State)
	}
	if out, code := s.spillway("standdown", "--undo", "all"); code != exitFine || !strings.Contains(out, "taken up again: Sat 4 Jul 10:50 to 11:02") {
		t.Errorf("exit %d: %s", code, out)
	}
	if s.daemon().down.rules() {
		t.Error("windows announced from now on are still stood down")
	}
	s.until(51 * time.Minute)
	s.wait("the second window to hold something", s.held)
}

// Where no daemon runs, it is written down for the next start.
func TestStandDownAlone(t *testing.T) {
	s := newStage(t, "", window("first", 8*time.Minute, 12*time.Minute))
	id := actions.WindowID("first", time.Time{})
	s.begin()
	s.wait("the window to be planned", func() bool { return s.planned(id) != nil })
	s.wait("the window to be remembered", func() bool {
		kept, err := s.daemon().journal.Windows(t.Context(), s.start, s.start.Add(time.Hour))
		return err == nil && len(kept) == 1
	})
	state := s.daemon().cfg.State
	if err := s.stop(); err != nil {
		t.Fatal(err)
	}
	// The command's own clock is the machine's; the stage's is told here.
	out, err := standDownAlone(t.Context(), s.daemon().cfg, downRequest{Window: id}, s.clock.Now())
	if err != nil || len(out.Windows) != 1 {
		t.Fatalf("%+v, %v", out, err)
	}
	if _, err := standDownAlone(t.Context(), s.daemon().cfg, downRequest{Window: "nosuchwind"}, s.clock.Now()); err == nil {
		t.Error("a window that is not there stands down")
	}
	until := s.clock.Now().Add(time.Hour)
	if _, err := standDownAlone(t.Context(), s.daemon().cfg, downRequest{Until: &until}, s.clock.Now()); err != nil {
		t.Fatal(err)
	}
	defer func() { // and undone likewise
		out, err := standDownAlone(t.Context(), s.daemon().cfg, downRequest{Undo: true}, s.clock.Now())
		if err != nil || len(out.Windows) != 1 || out.Windows[0].ID != id {
			t.Errorf("undone: %+v, %v", out, err)
		}
		if _, err := standDownAlone(t.Context(), s.daemon().cfg, downRequest{Window: id, Undo: true}, s.clock.Now()); err == nil {
			t.Error("a window that is not stood down is taken up again")
		}
	}()
	j, err := journal.OpenReadOnly(state)
	if err != nil {
		t.Fatal(err)
	}
	defer j.Close()
	if _, down := j.Standing().Down[id]; !down {
		t.Error("the window is not down")
	}
	raw, ok, err := j.Get(t.Context(), downKey)
	if err != nil || !ok || !strings.HasPrefix(string(raw), `{"until":"2026-07-04T1`) {
		t.Errorf("until %s, %v, %v", raw, ok, err)
	}
}

func TestStandDownRequests(t *testing.T) {
	d := &daemon{}
	for _, body := range []string{"", "{", "{}", `{"window":"a","until":"2026-07-04T12:00:00Z"}`, `{"until":"today"}`, `{"undo":true,"until":"2026-07-04T12:00:00Z"}`} {
		w := httptest.NewRecorder()
		d.serveStandDown(w, httptest.NewRequest("POST", "/standdown", strings.NewReader(body)))
		if w.Code != http.StatusBadRequest {
			t.Errorf("%q: %d", body, w.Code)
		}
	}
}

func TestDownUntil(t *testing.T) {
	now := time.Date(2026, 7, 4, 12, 0, 0, 0, time.UTC)
	zone := time.FixedZone("BST", 3600)
	for s, want := range map[string]string{
		"2026-07-05T06:00:00Z": "2026-07-05T06:00:00Z", "2026-07-05 07:00": "2026-07-05T06:00:00Z", "18:00": "2026-07-04T17:00:00Z",
		"now": "0001-01-01T00:00:00Z", "2026-07-04T11:00:00Z": "is over", "someday": "is no time",
	} {
		got, err := downUntil(s, now, zone)
		if said := fmt.Sprint(got.Format(time.RFC3339), err); !strings.Contains(said, want) {
			t.Errorf("%s: %s, want %s", s, said, want)
		}
	}
}

func TestSayStoodDown(t *testing.T) {
	at := time.Date(2026, 7, 4, 12, 0, 0, 0, time.UTC)
	windows := []stoodDown{{"a", "Free\npower", at, at.Add(time.Hour)}}
	lifted := time.Time{}
	for name, test := range map[string]struct {
		request downRequest
		out     downAnswer
		want    string
		json    string
	}{
		"taken up": {downRequest{Undo: true}, downAnswer{Windows: windows}, "taken up again: Sat 4 Jul 12:00 to 13:00, Free power\n",
			`{"windows":[{"id":"a","title":"Free\npower","start":"2026-07-04T12:00:00Z","end":"2026-07-04T13:00:00Z"}],"until":null}`},
		"none to take up": {downRequest{Undo: true}, downAnswer{Windows: []stoodDown{}}, "no window ahead is stood down\n", `{"windows":[],"until":null}`},
		"one": {downRequest{}, downAnswer{Windows: windows}, "stood down: Sat 4 Jul 12:00 to 13:00, Free power\n",
			`{"windows":[{"id":"a","title":"Free\npower","start":"2026-07-04T12:00:00Z","end":"2026-07-04T13:00:00Z"}],"until":null}`},
		"until":  {downRequest{}, downAnswer{Windows: []stoodDown{}, Until: &at}, "every window that begins before Sat 4 Jul 12:00 is stood down", `{"windows":[],"until":"2026-07-04T12:00:00Z"}`},
		"lifted": {downRequest{}, downAnswer{Windows: []stoodDown{}, Until: &lifted}, "windows announced from now on are taken up", `{"windows":[],"until":null}`},
	} {
		var b, j bytes.Buffer
		a := &app{streams: streams{Out: &b}}
		if err := a.sayStoodDown(test.request, test.out, time.UTC); err != nil || !strings.HasPrefix(b.String(), test.want) {
			t.Errorf("%s: %q, %v", name, b.String(), err)
		}
		a = &app{streams: streams{Out: &j}, json: true}
		err := a.sayStoodDown(test.request, test.out, time.UTC)
		var compact bytes.Buffer
		if err != nil || json.Compact(&compact, j.Bytes()) != nil || compact.String() != test.json {
			t.Errorf("%s: %s, %v", name, compact.String(), err)
		}
	}
}
