package publish

import (
	"bytes"
	"crypto/sha256"
	"crypto/subtle"
	"net/http"
	"strings"
)

// Prefix is the path under which the feed is served, before the secret.
const Prefix = "/plan/"

// Handler serves the published calendar at /plan/SECRET.ics, and at /plan/SECRET.ics?detail=steps with one entry for each
// step. Any other path answers 404, and so does a wrong secret, after the same time. secret is asked at each request, so
// that it can be replaced; an empty one opens nothing. detail is what a request without ?detail= gets.
func Handler(secret func() string, detail string, current func(detail string) *Rendering) http.Handler {
	plan := Plan(detail, current)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		guard(w.Header())
		given, ok := strings.CutPrefix(r.URL.Path, Prefix)
		given, isCalendar := strings.CutSuffix(given, ".ics")
		if !same(given, secret()) || !ok || !isCalendar {
			http.NotFound(w, r)
			return
		}
		plan.ServeHTTP(w, r)
	})
}

// Plan serves the published calendar, whatever the path, to whoever asks: whoever mounts it has asked for a password. The
// arguments are those of [Handler].
func Plan(detail string, current func(detail string) *Rendering) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		guard(w.Header())
		if r.Method != http.MethodGet && r.Method != http.MethodHead {
			w.Header().Set("Allow", "GET, HEAD")
			http.Error(w, "the plan can only be read", http.StatusMethodNotAllowed)
			return
		}
		wanted := detail
		if q := r.URL.Query().Get("detail"); q == Phases || q == Steps {
			wanted = q
		}
		serve(w, r, current(wanted))
	})
}

func serve(w http.ResponseWriter, r *http.Request, now *Rendering) {
	if now == nil {
		w.Header().Set("Retry-After", "10")
		http.Error(w, "the plan is being made", http.StatusServiceUnavailable)
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/calendar; charset=utf-8")
	h.Set("Content-Disposition", `inline; filename="plan.ics"`)
	h.Set("Cache-Control", "private, no-cache") // may be kept, and is asked for again each time
	h.Set("ETag", now.ETag)
	// ServeContent answers HEAD, ranges and the conditional headers (RFC 9110 13).
	http.ServeContent(w, r, "", now.LastModified, bytes.NewReader(now.Body))
}

// guard sets what keeps browsers from doing more with an answer than reading it.
func guard(h http.Header) {
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer") // the address is the secret
	h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("X-Robots-Tag", "noindex")
}

// same compares in a time that depends on neither secret. Hashing first hides the lengths.
func same(given, secret string) bool {
	a, b := sha256.Sum256([]byte(given)), sha256.Sum256([]byte(secret))
	return subtle.ConstantTimeCompare(a[:], b[:]) == 1 && secret != ""
}
