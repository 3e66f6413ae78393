package house

import (
	"testing"
	"time"

	"go.uber.org/goleak"

	"spillway/actions"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func storyStart(t testing.TB) time.Time {
	t.Helper()
	start, err := StoryStart()
	if err != nil {
		t.Fatal(err)
	}
	return start
}

func mustZone(t testing.TB) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation(Zone)
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

func newSite(t testing.TB, seed uint64) *Site {
	t.Helper()
	s, err := NewSite(storyStart(t), seed, StoryLevels())
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func ref(t testing.TB, text string) actions.Ref {
	t.Helper()
	r, err := actions.ParseRef(text)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// clockAt gives the local time of the story's night.
func clockAt(t testing.TB, hour, minute, second int) time.Time {
	t.Helper()
	return time.Date(2026, 10, 14, hour, minute, second, 0, mustZone(t)).UTC()
}
