package feed

import (
	"net/http"
	"strconv"
	"strings"
	"time"
)

const (
	mostBackOff = 15 * time.Minute // a source that failed is asked again within this, or within poll if that is longer
	mostAfter   = 6 * time.Hour    // the longest Retry-After that is heeded: windows are announced the day before
)

// retryAfter reads a Retry-After field (RFC 9110 10.2.3): seconds or an HTTP date. It returns 0 for none, for nonsense
// and for the past, and never more than mostAfter.
func retryAfter(field string, now time.Time) time.Duration {
	field = strings.TrimSpace(field)
	if field == "" {
		return 0
	}
	if at, err := http.ParseTime(field); err == nil {
		return min(max(at.Sub(now), 0), mostAfter)
	}
	seconds, err := strconv.ParseUint(field, 10, 63)
	if err != nil {
		return 0
	}
	return time.Duration(min(seconds, uint64(mostAfter/time.Second))) * time.Second
}

// backOff is the wait after the nth failure in a row: poll, doubled each time up to the greater of poll and
// mostBackOff, not less than after, and up to a quarter longer by spread (in [0,1)), so that many feeds of one server
// do not come back together.
func backOff(poll time.Duration, failures int, after time.Duration, spread float64) time.Duration {
	most := max(poll, mostBackOff)
	wait := poll
	for n := 1; n < failures && wait < most; n++ {
		wait *= 2
	}
	wait = max(min(wait, most), after)
	return wait + time.Duration(spread*float64(wait)/4)
}
