package page

import (
	"net/http"
	"time"
)

// loginView is what the login form shows.
type loginView struct {
	frame
	User  bool   // a name is asked for
	Wrong string // what was wrong with the last try
}

func (p *Page) showLogin(w http.ResponseWriter, r *http.Request) {
	v, _ := p.keeper.visitor(r)
	if v.in {
		http.Redirect(w, r, rootPath, http.StatusSeeOther)
		return
	}
	p.loginForm(w, v, http.StatusOK, "")
}

func (p *Page) loginForm(w http.ResponseWriter, v visitor, status int, wrong string) {
	f := p.frame("Log in", p.formToken(w, v))
	p.render(w, status, "login", loginView{frame: f, User: p.keeper.User != "", Wrong: wrong})
}

func (p *Page) login(w http.ResponseWriter, r *http.Request) {
	v := visitor{cookie: cookieValue(r, visitCookie, p.keeper.TLS)}
	if !p.keeper.sessions.goodForm(v.cookie, r.PostForm.Get("form")) {
		p.loginForm(w, v, http.StatusForbidden, "That form was too old, or the browser keeps no cookies. Try again.")
		return
	}
	ok, wait := p.keeper.login(r, r.PostForm.Get("user"), r.PostForm.Get("password"))
	switch {
	case wait > 0:
		p.tooMany(w, r, wait)
	case !ok:
		p.loginForm(w, v, http.StatusUnauthorized, "That is not right. Look at the name and the password and try again.")
	default:
		// A new cookie at each login: one that was planted beforehand gains nothing.
		value, err := p.keeper.sessions.begin()
		if err != nil {
			p.refuse(w, r, http.StatusInternalServerError, "The login could not be kept.", "Try again.")
			return
		}
		http.SetCookie(w, newCookie(sessionCookie, value, p.keeper.TLS, sessionLong))
		http.Redirect(w, r, rootPath, http.StatusSeeOther)
	}
}

func (p *Page) logout(w http.ResponseWriter, r *http.Request, v visitor) {
	p.keeper.sessions.end(v.cookie)
	http.SetCookie(w, newCookie(sessionCookie, "", p.keeper.TLS, -time.Second))
	http.Redirect(w, r, loginPath, http.StatusSeeOther)
}

// calendar serves the plan feed by basic authentication, which calendar programs speak. A browser sends such a login by
// itself to wherever it is asked, so it opens nothing but this reading.
func (p *Page) calendar(w http.ResponseWriter, r *http.Request) {
	user, password, given := r.BasicAuth()
	ok := false
	if given {
		var wait time.Duration
		if ok, wait = p.keeper.login(r, user, password); wait > 0 {
			p.tooMany(w, r, wait)
			return
		}
	} else if _, bearer := bearerOf(r); bearer {
		v, wait := p.keeper.visitor(r)
		if wait > 0 {
			p.tooMany(w, r, wait)
			return
		}
		ok = v.in
	}
	if !ok {
		w.Header().Set("WWW-Authenticate", `Basic realm="spillway plan", charset="UTF-8"`)
		http.Error(w, "the plan is read with a name and a password", http.StatusUnauthorized)
		return
	}
	p.opt.Calendar.ServeHTTP(w, r)
}
