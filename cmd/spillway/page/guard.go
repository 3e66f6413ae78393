package page

import (
	"errors"
	"net/http"
	"strconv"
	"time"
)

// mostBody is more than any form of this page sends.
const mostBody = 4 << 10

// headers keep browsers from doing more with an answer than showing it: nothing from elsewhere, no frames, no copies.
// There is no Strict-Transport-Security (RFC 6797): it would hold for every other service of this host too.
func headers(h http.Header) {
	h.Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; "+
		"form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("X-Frame-Options", "DENY")
	h.Set("Referrer-Policy", "same-origin") // not no-referrer: a form would then send Origin: null (Fetch, 3.2)
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=(), payment=(), usb=()")
	h.Set("X-Robots-Tag", "noindex")
	h.Set("Cache-Control", "no-store")
}

// guard is round every request: the headers, the name it came under, its size, and for what may change something that it
// was made here (Sec-Fetch-Site, W3C Fetch Metadata; else Origin, RFC 6454).
func (p *Page) guard(next http.Handler) http.Handler {
	origin := http.NewCrossOriginProtection()
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		headers(w.Header())
		if !p.hosts.known(r.Host) && r.URL.Path != calendarPath {
			p.refuse(w, r, http.StatusMisdirectedRequest, "This page does not go by that name.",
				"Reach it by its address, or write the name under publish.names.")
			return
		}
		if err := origin.Check(r); err != nil {
			p.refuse(w, r, http.StatusForbidden, "That came from another site.", "Nothing was done. Open this page itself and try there.")
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, mostBody)
		if r.Method == http.MethodPost {
			if err := r.ParseForm(); err != nil {
				var large *http.MaxBytesError
				status := http.StatusBadRequest
				if errors.As(err, &large) {
					status = http.StatusRequestEntityTooLarge
				}
				p.refuse(w, r, status, "That request cannot be read.", "Nothing was done.")
				return
			}
		}
		next.ServeHTTP(w, r)
	})
}

// inside lets in who may come in; a browser that has not logged in is shown where to, unless it asks for something that a
// person does not look at.
func (p *Page) inside(next func(http.ResponseWriter, *http.Request, visitor)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		v, wait := p.keeper.visitor(r)
		switch {
		case wait > 0:
			p.tooMany(w, r, wait)
		case v.in:
			next(w, r, v)
		case (r.Method == http.MethodGet || r.Method == http.MethodHead) && r.URL.Path != eventsPath:
			http.Redirect(w, r, loginPath, http.StatusSeeOther)
		default:
			w.Header().Set("WWW-Authenticate", `Bearer realm="spillway"`)
			p.refuse(w, r, http.StatusUnauthorized, "You are not logged in.", "Nothing was done.")
		}
	}
}

// acting lets through what was sent by a form that this page made for this browser. A bearer token is no browser's.
func (p *Page) acting(next func(http.ResponseWriter, *http.Request, visitor)) http.HandlerFunc {
	return p.inside(func(w http.ResponseWriter, r *http.Request, v visitor) {
		if !v.bearer && !p.keeper.sessions.goodForm(v.cookie, r.PostForm.Get("form")) {
			p.refuse(w, r, http.StatusForbidden, "That form is not from here, or too old.", "Nothing was done. Go back to the page and try again.")
			return
		}
		next(w, r, v)
	})
}

func (p *Page) tooMany(w http.ResponseWriter, r *http.Request, wait time.Duration) {
	w.Header().Set("Retry-After", strconv.Itoa(1+int(wait/time.Second)))
	p.refuse(w, r, http.StatusTooManyRequests, "Too many wrong logins.", "Wait half a minute, then try again.")
}

// formToken returns what the forms of an answer carry, and plants the cookie that they are tied to where there is none.
func (p *Page) formToken(w http.ResponseWriter, v visitor) string {
	if v.bearer {
		return ""
	}
	if v.cookie == "" {
		value, err := randomText()
		if err != nil {
			return "" // no form of this answer will work, which is the safe side
		}
		v.cookie = value
		http.SetCookie(w, newCookie(visitCookie, value, p.keeper.TLS, sessionLong))
	}
	return p.keeper.sessions.formToken(v.cookie)
}
