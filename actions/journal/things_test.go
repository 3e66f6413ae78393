package journal_test

import (
	"encoding/base64"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"spillway/actions"
	"spillway/actions/journal"
)

func window(id string, start time.Duration, state actions.WindowState) journal.Window {
	return journal.WindowOf(actions.PlannedWindow{
		Window: actions.Window{ID: id, UID: id + "@calendar.example", Feed: "house", Procedure: "surplus", Title: "Free power",
			Start: at(start), End: at(start + time.Hour)},
		State: state,
	})
}

func TestWindows(t *testing.T) {
	const day = 24 * time.Hour
	for _, c := range []struct {
		name  string
		saves []journal.Window
		want  []journal.Window
	}{
		{"as it is now",
			[]journal.Window{window("a", 0, actions.Far), window("a", 0, actions.Active)},
			[]journal.Window{window("a", 0, actions.Active)}},
		{"moved before it began",
			[]journal.Window{window("a", 0, actions.Near), window("a", day, actions.Far)},
			[]journal.Window{window("a", day, actions.Far)}},
		{"start moved while it ran",
			[]journal.Window{window("a", 0, actions.Active), window("a", -time.Minute, actions.Active)},
			[]journal.Window{window("a", -time.Minute, actions.Active)}},
		{"over, then moved ahead: both",
			[]journal.Window{window("a", 0, actions.Completed), window("a", day, actions.Far), window("a", day, actions.Near)},
			[]journal.Window{window("a", 0, actions.Completed), window("a", day, actions.Near)}},
		{"cancelled, then back at another time",
			[]journal.Window{window("a", 0, actions.Cancelled), window("a", day, actions.Far)},
			[]journal.Window{window("a", day, actions.Far)}},
		{"by start, then id",
			[]journal.Window{window("b", day, actions.Far), window("a", day, actions.Far), window("c", 0, actions.Far)},
			[]journal.Window{window("c", 0, actions.Far), window("a", day, actions.Far), window("b", day, actions.Far)}},
	} {
		t.Run(c.name, func(t *testing.T) {
			j := open(t, t.TempDir())
			for _, w := range c.saves {
				if err := j.SaveWindows(t.Context(), []journal.Window{w}); err != nil {
					t.Fatal(err)
				}
			}
			got, err := j.Windows(t.Context(), time.Time{}, time.Time{})
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(c.want, got, cmpopts.IgnoreFields(journal.Window{}, "FirstSeen", "Hash")); d != "" {
				t.Errorf("(-want +got):\n%s", d)
			}
		})
	}
}

func TestWindowsFirstSeenAndRange(t *testing.T) {
	clock := at(-48 * time.Hour)
	j, err := journal.Open(t.TempDir(), journal.Options{Now: func() time.Time { return clock }})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = j.Close() }()
	for _, start := range []time.Duration{0, 0, time.Hour} { // saved, saved again, moved
		if err := j.SaveWindows(t.Context(), []journal.Window{window("a", start, actions.Far)}); err != nil {
			t.Fatal(err)
		}
		clock = clock.Add(time.Hour)
	}
	for _, c := range []struct {
		name     string
		from, to time.Time
		want     int
	}{
		{"overlaps", at(90 * time.Minute), at(100 * time.Minute), 1},
		{"ends at from", at(2 * time.Hour), time.Time{}, 0},
		{"starts at to", time.Time{}, at(time.Hour), 0},
	} {
		got, err := j.Windows(t.Context(), c.from, c.to)
		if err != nil || len(got) != c.want {
			t.Errorf("%s: %d windows, %v, want %d", c.name, len(got), err, c.want)
		}
		if c.want == 1 && !got[0].FirstSeen.Equal(at(-48*time.Hour)) {
			t.Errorf("first seen %v, want when it was saved first", got[0].FirstSeen)
		}
	}
}

func TestSecret(t *testing.T) {
	dir := t.TempDir()
	j := open(t, dir)
	one, err := j.Secret(t.Context(), "plan")
	if err != nil {
		t.Fatal(err)
	}
	if raw, err := base64.RawURLEncoding.DecodeString(one); err != nil || len(raw) != 32 {
		t.Errorf("%q is not 32 bytes in base64url: %v", one, err)
	}
	if made, err := j.MadeSecret(t.Context(), "other"); err != nil || made != "" {
		t.Errorf("a secret that was never asked for: %q, %v", made, err)
	}
	other, _ := j.Secret(t.Context(), "other")
	if made, err := j.MadeSecret(t.Context(), "other"); err != nil || made != other {
		t.Errorf("the secret that was made: %q, %v, want %q", made, err, other)
	}
	again, err := j.Secret(t.Context(), "plan")
	if err != nil || again != one || other == one {
		t.Errorf("got %q, then %q, %v, and %q for another name", one, again, err, other)
	}
	fresh, err := j.NewSecret(t.Context(), "plan")
	if err != nil || fresh == one {
		t.Errorf("a new secret is %q, %v", fresh, err)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
	if kept, err := open(t, dir).Secret(t.Context(), "plan"); kept != fresh || err != nil {
		t.Errorf("after opening again %q, %v, want %q", kept, err, fresh)
	}
}

func TestKeys(t *testing.T) {
	j := open(t, t.TempDir())
	if _, found, err := j.Get(t.Context(), "k"); found || err != nil {
		t.Errorf("before Put: found %v, %v", found, err)
	}
	for _, value := range [][]byte{[]byte("v"), {0, 255}, {}, nil} {
		if err := j.Put(t.Context(), "k", value); err != nil {
			t.Fatal(err)
		}
		got, found, err := j.Get(t.Context(), "k")
		if string(got) != string(value) || !found || err != nil {
			t.Errorf("put %q, got %q, %v, %v", value, got, found, err)
		}
	}
}

func TestReadingsAndPrune(t *testing.T) {
	j := open(t, t.TempDir())
	level := actions.Ref{Device: "barn_battery", Point: "charge_level"}
	samples := []journal.Sample{
		{At: at(0), Ref: level, Value: actions.Number(41.5)},
		{At: at(time.Minute), Ref: level},
		{At: at(2 * time.Minute), Ref: level, Value: actions.Named("full")},
	}
	other := journal.Sample{At: at(0), Ref: actions.Ref{Device: "cylinder", Point: "temperature"}, Value: actions.Number(48)}
	if err := j.SaveReadings(t.Context(), append(samples, other, samples[0])); err != nil {
		t.Fatal(err)
	}
	got, err := j.Readings(t.Context(), level, at(0), at(time.Hour))
	if d := cmp.Diff(samples, got); d != "" || err != nil {
		t.Errorf("%v (-want +got):\n%s", err, d)
	}
	if got, _ := j.Readings(t.Context(), level, at(time.Minute), at(2*time.Minute)); len(got) != 1 {
		t.Errorf("from inclusive, to exclusive gives %d samples, want 1", len(got))
	}

	// Two log lines further apart than they must be kept; a step that is not over; windows likewise.
	const year = journal.KeepLog + 34*24*time.Hour
	for _, e := range []actions.Entry{intent("old", 0), intent("owed", 0), intent("new", year)} {
		if err := j.Write(t.Context(), e); err != nil {
			t.Fatal(err)
		}
	}
	over := intent("old", time.Minute)
	over.Kind, over.State = actions.EntrySettled, actions.Skipped
	if err := j.Write(t.Context(), over, actions.Entry{Kind: actions.EntryWindowOver, At: at(year), Window: "w1"}); err != nil {
		t.Fatal(err)
	}
	if err := j.SaveWindows(t.Context(), []journal.Window{window("a", 0, actions.Completed), window("b", year, actions.Far)}); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name                     string
		before                   time.Time
		readings, lines, windows int
	}{
		{"readings alone", at(time.Minute), 2, 3, 2},
		{"no more of the log than may be", at(2 * year), 0, 2, 1},
	} {
		if err := j.Prune(t.Context(), c.before); err != nil {
			t.Fatal(err)
		}
		readings, _ := j.Readings(t.Context(), level, time.Time{}, at(2*year))
		lines, _ := j.Log(t.Context(), journal.Query{})
		windows, _ := j.Windows(t.Context(), time.Time{}, time.Time{})
		if len(readings) != c.readings || len(lines) != c.lines || len(windows) != c.windows {
			t.Errorf("%s: %d readings, %d lines, %d windows are left, want %d, %d, %d", c.name,
				len(readings), len(lines), len(windows), c.readings, c.lines, c.windows)
		}
	}
}

// Pruning goes in pieces, so that a year's worth does not keep a due step waiting; it ends when all is gone.
func TestPruneMany(t *testing.T) {
	j := open(t, t.TempDir())
	level := actions.Ref{Device: "barn_battery", Point: "charge_level"}
	var samples []journal.Sample
	for i := range 2500 {
		samples = append(samples, journal.Sample{At: at(time.Duration(i) * time.Minute), Ref: level, Value: actions.Number(float64(i))})
	}
	if err := j.SaveReadings(t.Context(), samples); err != nil {
		t.Fatal(err)
	}
	if err := j.Prune(t.Context(), at(2400*time.Minute)); err != nil {
		t.Fatal(err)
	}
	got, err := j.Readings(t.Context(), level, at(0), at(5000*time.Minute))
	if d := cmp.Diff(samples[2400:], got); d != "" || err != nil {
		t.Errorf("%v (-want +got):\n%s", err, d)
	}
}
