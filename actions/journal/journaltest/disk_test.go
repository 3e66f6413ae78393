package journaltest_test

import (
	"errors"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/journal/journaltest"
)

type medium struct{ d *journaltest.Disk }

func (m medium) Open(t testing.TB) journaltest.Journal {
	j, err := m.d.Open()
	if err != nil {
		t.Fatal(err)
	}
	return j
}

func (m medium) Full(_ testing.TB, _ journaltest.Journal, full bool) { m.d.Full(full) }

func TestCrashKeepsToTheSuite(t *testing.T) {
	journaltest.Run(t, func(testing.TB) journaltest.Medium { return medium{&journaltest.Disk{}} })
}

func TestFaults(t *testing.T) {
	at := time.Date(2026, 5, 2, 13, 0, 0, 0, time.UTC)
	down := func(window string) actions.Entry {
		return actions.Entry{Kind: actions.EntryStandDown, At: at, Window: window, Until: at}
	}
	for _, c := range []struct {
		name    string
		fault   journaltest.Fault
		keep    bool // what happens to unsynced bytes at the cut
		err     error
		dead    bool // no further write is taken
		running bool // standing has it before the cut
		kept    bool // standing has it after the cut
	}{
		{name: "none", fault: journaltest.None, running: true, kept: true},
		{name: "refused", fault: journaltest.Refused, keep: true, err: journaltest.ErrFull},
		{name: "refused, sync failed, kept", fault: journaltest.RefusedKept, keep: true, err: journaltest.ErrSync, kept: true},
		{name: "refused, sync failed, lost", fault: journaltest.RefusedKept, err: journaltest.ErrSync},
		{name: "cut before", fault: journaltest.CutBefore, err: journaltest.ErrCut, dead: true},
		{name: "torn", fault: journaltest.CutTorn, keep: true, err: journaltest.ErrCut, dead: true},
		{name: "cut after", fault: journaltest.CutAfter, err: journaltest.ErrCut, dead: true, kept: true},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := &journaltest.Disk{Fault: func(n int, _ []actions.Entry) journaltest.Fault {
				if n == 1 {
					return c.fault
				}
				return journaltest.None
			}}
			j, _ := d.Open()
			if err := j.Write(t.Context(), down("first")); err != nil {
				t.Fatal(err)
			}
			if err := j.Write(t.Context(), down("second"), down("third")); !errors.Is(err, c.err) {
				t.Fatalf("got error %v, want %v", err, c.err)
			}
			if got := len(j.Standing().Down) == 3; got != c.running {
				t.Errorf("standing has the entries before the cut: %v, want %v", got, c.running)
			}
			if c.dead {
				if err := j.Write(t.Context(), down("fourth")); !errors.Is(err, journaltest.ErrCut) {
					t.Errorf("after the power went: %v", err)
				}
			}
			d.Cut(c.keep)
			j, _ = d.Open()
			want := 1
			if c.kept {
				want = 3
			}
			if got := len(j.Standing().Down); got != want {
				t.Errorf("after the cut %d entries are kept, want %d", got, want)
			}
		})
	}
}

func TestWriteAfterFailedSyncWritesOverIt(t *testing.T) {
	at := time.Date(2026, 5, 2, 13, 0, 0, 0, time.UTC)
	d := &journaltest.Disk{Fault: func(n int, _ []actions.Entry) journaltest.Fault {
		if n == 0 {
			return journaltest.RefusedKept
		}
		return journaltest.None
	}}
	j, _ := d.Open()
	_ = j.Write(t.Context(), actions.Entry{Kind: actions.EntryStandDown, At: at, Window: "first", Until: at}) // fails, as asked
	if err := j.Write(t.Context(), actions.Entry{Kind: actions.EntryStandDown, At: at, Window: "second", Until: at}); err != nil {
		t.Fatal(err)
	}
	d.Cut(true)
	j, _ = d.Open()
	if down := j.Standing().Down; len(down) != 1 || down["second"] != at {
		t.Errorf("kept %v, want second alone", down)
	}
}
