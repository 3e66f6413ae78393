package feed

import (
	"net/http"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// RFC 9110 10.2.3: seconds or an HTTP date, in any of its three forms (5.6.7).
func TestRetryAfterField(t *testing.T) {
	now := time.Date(2026, 5, 4, 9, 0, 0, 0, time.UTC)
	tests := []struct {
		field string
		want  time.Duration
	}{
		{"", 0},
		{"0", 0},
		{"120", 2 * time.Minute},
		{" 120 ", 2 * time.Minute},
		{"-5", 0},
		{"1.5", 0},
		{"soon", 0},
		{"99999999999999999999", 0}, // beyond 64 bits: nonsense
		{"9223372036854775807", mostAfter},
		{"18446744073709551615", 0},
		{"Mon, 04 May 2026 09:10:00 GMT", 10 * time.Minute},
		{"Monday, 04-May-26 09:10:00 GMT", 10 * time.Minute},
		{"Mon May  4 09:10:00 2026", 10 * time.Minute},
		{"Mon, 04 May 2026 08:00:00 GMT", 0},
		{"Fri, 31 Dec 9999 23:59:59 GMT", mostAfter},
	}
	for _, tt := range tests {
		if got := retryAfter(tt.field, now); got != tt.want {
			t.Errorf("%q: %v, want %v", tt.field, got, tt.want)
		}
	}
}

// The wait is never under the floor nor under Retry-After, grows with the failures, and is bounded.
func TestBackOffBounds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		poll := time.Duration(rapid.Int64Range(int64(time.Second), int64(24*time.Hour)).Draw(t, "poll"))
		failures := rapid.IntRange(1, 1_000_000).Draw(t, "failures")
		after := time.Duration(rapid.Int64Range(0, int64(mostAfter)).Draw(t, "after"))
		spread := rapid.Float64Range(0, 0.999999).Draw(t, "spread")
		wait := backOff(poll, failures, after, spread)
		if wait < poll || wait < after {
			t.Fatalf("wait %v is under the floor", wait)
		}
		if most := max(poll, mostBackOff, after); wait > most+most/4 {
			t.Fatalf("wait %v is over %v and a quarter", wait, most)
		}
		if backOff(poll, failures+1, after, spread) < wait {
			t.Fatalf("the next wait is shorter than %v", wait)
		}
	})
}

func FuzzRetryAfter(f *testing.F) {
	f.Add("120")
	f.Add(start.Format(http.TimeFormat))
	f.Fuzz(func(t *testing.T, field string) {
		if got := retryAfter(field, start); got < 0 || got > mostAfter {
			t.Errorf("%q: %v", field, got)
		}
	})
}
