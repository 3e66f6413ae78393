package publish_test

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"spillway/actions"
	"spillway/actions/publish"
	"spillway/calendar"
)

func update() bool { return flag.Lookup("update").Value.String() == "true" }

func TestMain(m *testing.M) {
	flag.Bool("update", false, "write the golden files")
	flag.Parse()
	os.Exit(m.Run())
}

// The golden files are read as plain text when they change; -update writes them.
func TestEntries(t *testing.T) {
	failed := func(log []actions.StepStanding) []actions.StepStanding {
		log[1].State, log[1].Tries, log[1].Note = actions.Failed, 3, "no answer:\nPUT barn/battery/mode"
		log[2].State, log[2].Note, log[2].Sent = actions.Skipped, "an earlier step on cylinder failed", time.Time{}
		return log
	}
	for _, c := range []struct {
		name string
		make func() (*actions.Plan, []actions.StepStanding, publish.Options)
	}{
		{"ahead", func() (*actions.Plan, []actions.StepStanding, publish.Options) {
			return plan(at(12, 0, 0)), nil, publish.Options{Now: at(12, 0, 0), URL: "http://127.0.0.1:8377/", Remind: 15 * time.Minute}
		}},
		{"ahead-steps", func() (*actions.Plan, []actions.StepStanding, publish.Options) {
			return plan(at(12, 0, 0)), nil, publish.Options{Now: at(12, 0, 0), Detail: publish.Steps, Remind: 15 * time.Minute}
		}},
		{"active", func() (*actions.Plan, []actions.StepStanding, publish.Options) {
			now := at(13, 10, 0)
			s := actions.NewStanding()
			for _, l := range done(now) {
				s.Apply(actions.Entry{Kind: actions.EntryIntent, Step: l.Step, At: l.Step.At, Tries: 1})
				s.Apply(actions.Entry{Kind: actions.EntrySettled, Step: l.Step, At: l.Settled, State: l.State})
			}
			return plan(now), done(now), publish.Options{Now: now, Standing: s}
		}},
		{"past", func() (*actions.Plan, []actions.StepStanding, publish.Options) {
			now := at(15, 0, 0)
			return plan(now), done(now), publish.Options{Now: now}
		}},
		{"past-failed", func() (*actions.Plan, []actions.StepStanding, publish.Options) {
			now := at(15, 0, 0)
			p := plan(now)
			past := p.Windows
			p.Windows = nil
			return p, failed(done(now)), publish.Options{Now: now, Past: past}
		}},
		{"past-steps", func() (*actions.Plan, []actions.StepStanding, publish.Options) {
			now := at(15, 0, 0)
			return plan(now), failed(done(now)), publish.Options{Now: now, Detail: publish.Steps}
		}},
		{"called-off", func() (*actions.Plan, []actions.StepStanding, publish.Options) {
			now := at(13, 10, 0)
			p := plan(now)
			p.Windows[0].State = actions.Cancelled
			p.Steps = []actions.Step{step("s5", actions.PhaseRestore, now, "barn_battery.mode", actions.Named("own_use"), true)}
			return p, done(now), publish.Options{Now: now}
		}},
		{"problems", func() (*actions.Plan, []actions.StepStanding, publish.Options) {
			p := plan(at(12, 0, 0))
			p.Windows[0].Problems = []string{"van is not plugged in", "the limit leaves nothing for\r\nvan"}
			return p, nil, publish.Options{Now: at(12, 0, 0), Remind: 15 * time.Minute, Faults: []publish.Fault{{
				Key: "restore cylinder.boost", Title: "cylinder boost is not back at off", Since: at(-10, 0, 0),
				Text: "boiler_house does not answer; it is tried again every 5 minutes until it does",
			}}}
		}},
		{"orphan", func() (*actions.Plan, []actions.StepStanding, publish.Options) {
			return &actions.Plan{At: at(15, 0, 0)}, done(at(15, 0, 0))[3:], publish.Options{Now: at(15, 0, 0)}
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			plan, log, opt := c.make()
			entries := publish.Fixed(publish.Entries(plan, log, premises(t), opt), plan.At)
			body, err := calendar.Encode(publish.Calendar(entries, london(t), plan.At))
			if err != nil {
				t.Fatal(err)
			}
			golden(t, c.name+".ics", strings.ReplaceAll(string(body), "\r\n", "\n"))
		})
	}
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if update() {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("%s (-want +got):\n%s", name, d)
	}
}

// A window that was over, then moved ahead with the same id: its old log lines do not come up in the new plan.
func TestEarlierRunIsLeftOut(t *testing.T) {
	p := plan(at(12, 0, 0))
	log := done(at(15, 0, 0))
	for i := range log {
		log[i].Step.At = log[i].Step.At.AddDate(0, 0, -7)
		log[i].Settled = log[i].Settled.AddDate(0, 0, -7)
	}
	with := publish.Entries(p, log, premises(t), publish.Options{Now: at(12, 0, 0)})
	without := publish.Entries(p, nil, premises(t), publish.Options{Now: at(12, 0, 0)})
	if d := cmp.Diff(without, with); d != "" {
		t.Errorf("(-without the earlier run +with it):\n%s", d)
	}
}

// A step that was settled after the plan was made is done, though the plan still holds it.
func TestLogBeatsAnOlderPlan(t *testing.T) {
	for _, e := range publish.Entries(plan(at(12, 0, 0)), done(at(13, 30, 0)), premises(t), publish.Options{Now: at(13, 30, 0)}) {
		if strings.HasPrefix(e.Summary, "Free power") && !strings.Contains(e.Summary, "done 3 of 3") {
			t.Errorf("summary %q", e.Summary)
		}
	}
}

// Entries of a plan must never be taken for windows.
func TestUIDsAreKnownAsOurs(t *testing.T) {
	for _, detail := range []string{publish.Phases, publish.Steps} {
		p := plan(at(12, 0, 0))
		p.Windows[0].Problems = []string{"none"}
		entries := publish.Entries(p, nil, premises(t), publish.Options{Detail: detail, Faults: []publish.Fault{{Key: "k"}}})
		seen := map[string]bool{}
		for _, e := range entries {
			if !actions.IsPlanUID(e.UID) || seen[e.UID] {
				t.Errorf("%s: uid %q is not ours, or there twice", detail, e.UID)
			}
			seen[e.UID] = true
		}
		if len(entries) < 5 {
			t.Errorf("%s: only %d entries", detail, len(entries))
		}
	}
}

// A point that came back to the value of a lower window is said to be held by that one, until it lets go.
func TestHeldByTheLowerWindow(t *testing.T) {
	now := at(13, 10, 0)
	p := plan(now)
	mode := ref("barn_battery.mode")
	p.Windows[0].Claims = []actions.Claim{{ID: "under", Point: mode, From: at(13, 0, 0), To: at(14, 0, 0), Value: actions.Named("charge")}}
	s := actions.NewStanding()
	s.Points[mode] = actions.PointStanding{Owed: true, Value: actions.Named("charge"), Window: "one that is over"}
	for _, e := range publish.Entries(p, done(now), premises(t), publish.Options{Now: now, Standing: s}) {
		if e.Categories[0] == string(actions.PhaseDuring) && !strings.Contains(e.Description, "Held now, until 14:00: Barn battery charge") {
			t.Errorf("the window does not say what it holds:\n%s", e.Description)
		}
	}
}

// Every relation names an entry that is there, and none makes a circle for readers that take all of them for PARENT
// (RFC 5545 3.2.15).
func TestRelations(t *testing.T) {
	for _, detail := range []string{publish.Phases, publish.Steps} {
		entries := publish.Entries(plan(at(12, 0, 0)), nil, premises(t), publish.Options{Detail: detail})
		above := map[string]map[string]bool{}
		types := map[string]int{}
		for _, e := range entries {
			above[e.UID] = map[string]bool{}
			for _, r := range e.Related {
				above[e.UID][r.UID] = true
				types[r.Type]++
			}
		}
		for uid, list := range above {
			for over := range list {
				if above[over] == nil || len(above[over]) > 0 {
					t.Errorf("%s: %s names %s, which is not there or is under another", detail, uid, over)
				}
			}
		}
		want := map[string]int{"PARENT": 2, "NEXT": 1, "DEPENDS-ON": 1}
		if detail == publish.Steps {
			want = map[string]int{"FIRST": len(entries) - 1}
		}
		if d := cmp.Diff(want, types); d != "" {
			t.Errorf("%s (-want +got):\n%s", detail, d)
		}
	}
}
