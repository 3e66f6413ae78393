package journaltest

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"spillway/actions"
	"spillway/actions/journal"
)

// A Journal is what the suite asks of a journal.
type Journal interface {
	Write(ctx context.Context, entries ...actions.Entry) error
	Standing() actions.Standing
	Newest() time.Time
	Log(ctx context.Context, q journal.Query) ([]actions.StepStanding, error)
	Close() error
}

// A Medium is where one journal after the other stands.
type Medium interface {
	// Open opens the journal. The one before it was closed.
	Open(t testing.TB) Journal
	// Full makes further writes to an open journal fail for want of space, or gives the space back.
	Full(t testing.TB, j Journal, full bool)
}

// Run checks that journals on the media that fresh makes keep what package journal promises.
func Run(t *testing.T, fresh func(t testing.TB) Medium) {
	t.Run("empty", func(t *testing.T) { empty(t, fresh(t)) })
	t.Run("standing is the fold of the entries", func(t *testing.T) { fold(t, fresh) })
	t.Run("standing is a copy", func(t *testing.T) { copies(t, fresh(t)) })
	t.Run("log", func(t *testing.T) { logLines(t, fresh(t)) })
	t.Run("log of one write", func(t *testing.T) { logOfOneWrite(t, fresh(t)) })
	t.Run("full disk", func(t *testing.T) { fullDisk(t, fresh(t)) })
	t.Run("ended context", func(t *testing.T) { ended(t, fresh(t)) })
	t.Run("many at once", func(t *testing.T) { atOnce(t, fresh(t)) })
	t.Run("closed", func(t *testing.T) { closed(t, fresh(t)) })
}

// at returns the instant d after one in the night of a clock change.
func at(d time.Duration) time.Time {
	return time.Date(2026, 10, 25, 0, 30, 0, 5, time.UTC).Add(d)
}

func step(id, window string) actions.Step {
	return actions.Step{
		ID: id, Window: window, Phase: actions.PhaseDuring, At: at(0), Link: "barn",
		Point: actions.Ref{Device: "barn_battery", Point: "mode"}, Value: actions.Named("charge"), From: actions.Named("own_use"),
		Why: "barn_battery.mode = charge", Hold: "h1",
	}
}

func intent(id, window string, d time.Duration) actions.Entry {
	return actions.Entry{Kind: actions.EntryIntent, At: at(d), Step: step(id, window), Tries: 1}
}

func settled(id string, d time.Duration, state actions.StepState) actions.Entry {
	return actions.Entry{Kind: actions.EntrySettled, At: at(d), Step: actions.Step{ID: id}, State: state, ReadBack: actions.Named("charge")}
}

func write(t testing.TB, j Journal, entries ...actions.Entry) {
	t.Helper()
	if err := j.Write(t.Context(), entries...); err != nil {
		t.Fatal(err)
	}
}

func closeIt(t testing.TB, j Journal) {
	t.Helper()
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
}

func ids(t testing.TB, j Journal, q journal.Query) string {
	t.Helper()
	lines, err := j.Log(t.Context(), q)
	if err != nil {
		t.Fatal(err)
	}
	var s []string
	for _, l := range lines {
		s = append(s, l.Step.ID+" "+string(l.State))
	}
	return strings.Join(s, ", ")
}

func same(t interface {
	Helper()
	Fatalf(string, ...any)
}, what string, want, got any) {
	t.Helper()
	if d := cmp.Diff(want, got); d != "" {
		t.Fatalf("%s (-want +got):\n%s", what, d)
	}
}

func empty(t *testing.T, m Medium) {
	j := m.Open(t)
	defer closeIt(t, j)
	same(t, "standing", actions.NewStanding(), j.Standing())
	same(t, "newest", time.Time{}, j.Newest())
	same(t, "log", "", ids(t, j, journal.Query{}))
}

func fold(t *testing.T, fresh func(testing.TB) Medium) {
	rapid.Check(t, func(rt *rapid.T) {
		m := fresh(t)
		j := m.Open(t)
		want, newest := actions.NewStanding(), time.Time{}
		for i, batch := range rapid.SliceOfN(Entries(), 1, 8).Draw(rt, "batches") {
			write(t, j, batch...)
			for _, e := range journal.Clean(batch) {
				want.Apply(e)
				if e.At.After(newest) {
					newest = e.At
				}
			}
			same(rt, fmt.Sprintf("standing after batch %d", i), want, j.Standing())
		}
		same(rt, "newest", newest, j.Newest())
		closeIt(t, j)

		j = m.Open(t)
		defer closeIt(t, j)
		same(rt, "standing after opening again", want, j.Standing())
		same(rt, "newest after opening again", newest, j.Newest())
	})
}

func copies(t *testing.T, m Medium) {
	j := m.Open(t)
	defer closeIt(t, j)
	e := intent("s1", "w1", 0)
	write(t, j, e)
	s := j.Standing()
	clear(s.Points)
	clear(s.Steps)
	s.Links["barn"] = actions.LinkStanding{}
	s.Down["w1"] = at(0)
	want := actions.NewStanding()
	want.Apply(e)
	same(t, "standing", want, j.Standing())
}

func logLines(t *testing.T, m Medium) {
	j := m.Open(t)
	other := intent("s2", "w2", time.Minute)
	other.Step.Point.Device = "cylinder"
	write(t, j, intent("s1", "w1", 0), other)
	write(t, j, settled("s1", time.Hour, actions.Confirmed), intent("s3", "w1", 2*time.Hour))
	write(t, j, actions.Entry{Kind: actions.EntryWindowOver, At: at(2 * time.Hour), Window: "w1"})
	if _, ok := j.Standing().Steps["s1"]; ok {
		t.Error("a settled step of a window that is over is still part of standing")
	}
	// The window comes back, and with it the id.
	write(t, j, intent("s1", "w1", 24*time.Hour))

	check := func(j Journal) {
		t.Helper()
		for _, c := range []struct {
			name string
			q    journal.Query
			want string
		}{
			{"all, oldest first", journal.Query{}, "s1 confirmed, s2 planned, s3 planned, s1 planned"},
			{"of a window", journal.Query{Window: "w2"}, "s2 planned"},
			{"of a device", journal.Query{Device: "barn_battery"}, "s1 confirmed, s3 planned, s1 planned"},
			{"from: a line still written to then", journal.Query{From: at(time.Hour)}, "s1 confirmed, s3 planned, s1 planned"},
			{"from: not what ended before", journal.Query{From: at(time.Hour + 1)}, "s3 planned, s1 planned"},
			{"to: exclusive", journal.Query{To: at(time.Minute)}, "s1 confirmed"},
			{"from and to", journal.Query{From: at(90 * time.Minute), To: at(3 * time.Hour)}, "s3 planned"},
			{"after", journal.Query{After: "s2"}, "s3 planned, s1 planned"},
			{"after the newest line of an id", journal.Query{After: "s1"}, ""},
			{"after an id nobody knows", journal.Query{After: "s9"}, "s1 confirmed, s2 planned, s3 planned, s1 planned"},
			{"limit", journal.Query{Limit: 2}, "s1 confirmed, s2 planned"},
		} {
			same(t, c.name, c.want, ids(t, j, c.q))
		}
	}
	check(j)
	closeIt(t, j)
	j = m.Open(t)
	defer closeIt(t, j)
	check(j)
	lines, err := j.Log(t.Context(), journal.Query{Limit: 1})
	if err != nil {
		t.Fatal(err)
	}
	same(t, "line", []actions.StepStanding{{
		Step: step("s1", "w1"), State: actions.Confirmed, Tries: 1, Settled: at(time.Hour), ReadBack: actions.Named("charge"),
	}}, lines)
}

func logOfOneWrite(t *testing.T, m Medium) {
	j := m.Open(t)
	defer closeIt(t, j)
	over := actions.Entry{Kind: actions.EntryWindowOver, At: at(time.Hour), Window: "w1"}
	write(t, j, intent("s1", "w1", 0))
	write(t, j, settled("s1", time.Hour, actions.Failed), over, // begun before
		intent("s2", "w1", time.Hour), settled("s2", time.Hour, actions.Skipped), over, // begun and ended here
		intent("s2", "w1", 2*time.Hour)) // and begun again
	same(t, "log", "s1 failed, s2 skipped, s2 planned", ids(t, j, journal.Query{}))
	same(t, "steps in standing", 1, len(j.Standing().Steps))
}

func fullDisk(t *testing.T, m Medium) {
	j := m.Open(t)
	write(t, j, intent("s1", "w1", 0))
	before := j.Standing()
	m.Full(t, j, true)
	var err error
	n := 0
	for ; err == nil && n < 10_000; n++ { // what is free in the last page may still be used
		before = j.Standing()
		e := intent(fmt.Sprintf("f%d", n), "w1", time.Hour)
		e.Note, e.Step.Why = strings.Repeat("x", 500), strings.Repeat("y", 4000)
		err = j.Write(t.Context(), e)
	}
	if err == nil {
		t.Fatal("no write failed")
	}
	if strings.Contains(err.Error(), "\n") || !strings.Contains(err.Error(), "full") {
		t.Errorf("not one line that says the disk is full: %q", err)
	}
	same(t, "standing after a write that failed", before, j.Standing())

	m.Full(t, j, false)
	write(t, j, intent("s2", "w1", 2*time.Hour))
	before = j.Standing()
	same(t, "log", n-1+2, strings.Count(ids(t, j, journal.Query{}), "planned"))
	closeIt(t, j)
	j = m.Open(t)
	defer closeIt(t, j)
	same(t, "standing after opening again", before, j.Standing())
}

func ended(t *testing.T, m Medium) {
	j := m.Open(t)
	defer closeIt(t, j)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := j.Write(ctx, intent("s1", "w1", 0)); err == nil {
		t.Error("a write with an ended context was taken")
	}
	same(t, "standing", actions.NewStanding(), j.Standing())
}

func atOnce(t *testing.T, m Medium) {
	j := m.Open(t)
	const writers, each = 8, 10
	var wg sync.WaitGroup
	for w := range writers {
		wg.Go(func() {
			for i := range each {
				id := fmt.Sprintf("s%d.%d", w, i)
				if err := j.Write(t.Context(), intent(id, "w1", 0)); err != nil {
					t.Error(err)
				}
				if _, ok := j.Standing().Steps[id]; !ok {
					t.Errorf("%s is not part of standing after its write", id)
				}
			}
		})
	}
	wg.Wait()
	closeIt(t, j)
	j = m.Open(t)
	defer closeIt(t, j)
	same(t, "steps", writers*each, len(j.Standing().Steps))
}

func closed(t *testing.T, m Medium) {
	j := m.Open(t)
	closeIt(t, j)
	if err := j.Write(t.Context(), intent("s1", "w1", 0)); err == nil {
		t.Error("a closed journal took a write")
	}
}
