package page

import "net/http"

// Reading lets h be read by who may read the page: with a bearer token, by name and password or by a session where locks are
// set, else by who comes from this machine. The request must name the page as its own requests do, so that a page
// elsewhere reads nothing.
func (p *Page) Reading(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		headers(w.Header())
		switch {
		case !p.hosts.known(r.Host):
			http.Error(w, "this does not go by that name", http.StatusMisdirectedRequest)
			return
		case !p.keeper.Locked() && addressOf(r).Unmap().IsLoopback():
		case !p.keeper.Locked():
			http.Error(w, "this is read on this machine only", http.StatusForbidden)
			return
		case !p.reads(w, r):
			return
		}
		h.ServeHTTP(w, r)
	})
}

// reads reports whether who asks may read, and answers where not.
func (p *Page) reads(w http.ResponseWriter, r *http.Request) bool {
	v, wait := p.keeper.visitor(r)
	ok := v.in
	if user, password, given := r.BasicAuth(); given {
		ok, wait = p.keeper.login(r, user, password)
	}
	switch {
	case wait > 0:
		p.tooMany(w, r, wait)
		return false
	case !ok:
		w.Header().Set("WWW-Authenticate", `Basic realm="spillway", charset="UTF-8"`)
		http.Error(w, "this is read with a name and a password, or a token", http.StatusUnauthorized)
	}
	return ok
}
