package meter

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// The dates are those of the zone database: 2026-03-29 and 2026-10-25 in Europe/London (FACTS: settlement periods), and
// zones that change by half an hour (Lord Howe) or at midnight (São Paulo, 2018-11-04).
func TestInstants(t *testing.T) {
	for _, c := range []struct {
		zone, wall string
		want       []string
	}{
		{"Europe/London", "2026-03-29T00:59:59Z", []string{"2026-03-29T00:59:59Z"}},
		{"Europe/London", "2026-03-29T01:00:00Z", nil},
		{"Europe/London", "2026-03-29T01:59:59Z", nil},
		{"Europe/London", "2026-03-29T02:00:00Z", []string{"2026-03-29T01:00:00Z"}},
		{"Europe/London", "2026-10-25T00:59:59Z", []string{"2026-10-24T23:59:59Z"}},
		{"Europe/London", "2026-10-25T01:00:00Z", []string{"2026-10-25T00:00:00Z", "2026-10-25T01:00:00Z"}},
		{"Europe/London", "2026-10-25T02:00:00Z", []string{"2026-10-25T02:00:00Z"}},
		{"America/New_York", "2026-11-01T01:30:00Z", []string{"2026-11-01T05:30:00Z", "2026-11-01T06:30:00Z"}},
		{"Australia/Lord_Howe", "2026-04-05T01:45:00Z", []string{"2026-04-04T14:45:00Z", "2026-04-04T15:15:00Z"}},
		{"Australia/Lord_Howe", "2026-10-04T02:15:00Z", nil},
		{"America/Sao_Paulo", "2018-11-04T00:30:00Z", nil},
		{"Pacific/Kiritimati", "2026-01-01T00:00:00Z", []string{"2025-12-31T10:00:00Z"}},
		{"UTC", "2026-01-01T00:00:00Z", []string{"2026-01-01T00:00:00Z"}},
	} {
		var got []string
		for _, i := range Instants(zone(t, c.zone), at(t, c.wall)) {
			got = append(got, stamp(i))
		}
		if d := cmp.Diff(c.want, got); d != "" {
			t.Errorf("%s at %s (-want +got):\n%s", c.wall, c.zone, d)
		}
	}
}

// Every instant of a year comes back from the wall time that clocks show at it.
func TestInstantsInvertWall(t *testing.T) {
	for _, name := range []string{"Europe/London", "Australia/Lord_Howe", "America/St_Johns", "Asia/Kathmandu"} {
		z := zone(t, name)
		from := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).Unix()
		for i := from; i < from+366*86400; i += 900 {
			found := false
			for _, back := range Instants(z, Wall(z, i)) {
				found = found || back == i
			}
			if !found {
				t.Fatalf("%s: %s is lost", name, stamp(i))
			}
		}
	}
}
