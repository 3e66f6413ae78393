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
