package page

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"net/http"
	"sync"
	"time"
)

const (
	sessionIdle = 7 * 24 * time.Hour  // a session that is not used ends
	sessionLong = 30 * 24 * time.Hour // and every one ends at last
	mostSession = 128
	cookieSize  = 32 // random bytes
)

// sessions are the browsers that have logged in. They live in memory: a restart asks for the password again.
type sessions struct {
	now func() time.Time
	key [32]byte // of the forms' tokens

	mu   sync.Mutex
	open map[[32]byte]session // by the hash of the cookie
}

type session struct{ began, used time.Time }

func newSessions(now func() time.Time) (*sessions, error) {
	s := &sessions{now: now, open: map[[32]byte]session{}}
	_, err := rand.Read(s.key[:])
	return s, err
}

// begin opens a session and returns its cookie's value.
func (s *sessions) begin() (string, error) {
	value, err := randomText()
	if err != nil {
		return "", err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for len(s.open) >= mostSession {
		s.dropOldest()
	}
	s.open[sha256.Sum256([]byte(value))] = session{began: s.now(), used: s.now()}
	return value, nil
}

func (s *sessions) dropOldest() {
	var oldest [32]byte
	var at time.Time
	for key, v := range s.open {
		if at.IsZero() || v.used.Before(at) {
			oldest, at = key, v.used
		}
	}
	delete(s.open, oldest)
}

// valid reports whether the cookie's value is that of an open session, and keeps it open.
func (s *sessions) valid(value string) bool {
	if value == "" {
		return false
	}
	key := sha256.Sum256([]byte(value)) // looked up by hash: the time tells nothing of the value
	s.mu.Lock()
	defer s.mu.Unlock()
	v, ok := s.open[key]
	now := s.now()
	if !ok || now.Sub(v.used) > sessionIdle || now.Sub(v.began) > sessionLong {
		delete(s.open, key)
		return false
	}
	v.used = now
	s.open[key] = v
	return true
}

func (s *sessions) end(value string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.open, sha256.Sum256([]byte(value)))
}

// formToken returns what a form of the browser with this cookie must carry. It cannot be made without the process's key,
// and a cookie planted from elsewhere does not tell its token.
func (s *sessions) formToken(cookie string) string {
	mac := hmac.New(sha256.New, s.key[:])
	mac.Write([]byte("form\x00" + cookie)) // a hash takes everything
	return base64.RawURLEncoding.EncodeToString(mac.Sum(nil))
}

func (s *sessions) goodForm(cookie, token string) bool {
	return cookie != "" && subtle.ConstantTimeCompare([]byte(s.formToken(cookie)), []byte(token)) == 1
}

func randomText() (string, error) {
	b := make([]byte, cookieSize)
	_, err := rand.Read(b)
	return base64.RawURLEncoding.EncodeToString(b), err
}

// The cookies: of a session, and of a browser that has none, to tie its forms to it.
const (
	sessionCookie = "spillway-session"
	visitCookie   = "spillway-visit"
)

// cookieName binds a cookie to this host and to TLS where there is TLS (RFC 6265bis 4.1.3.2).
func cookieName(name string, tls bool) string {
	if tls {
		return "__Host-" + name
	}
	return name
}

// newCookie is lax, not strict: a link to the page in a calendar entry is to find the session. An act needs more anyway.
func newCookie(name, value string, tls bool, age time.Duration) *http.Cookie {
	return &http.Cookie{Name: cookieName(name, tls), Value: value, Path: "/", MaxAge: int(age / time.Second), HttpOnly: true, Secure: tls,
		SameSite: http.SameSiteLaxMode}
}

func cookieValue(r *http.Request, name string, tls bool) string {
	c, err := r.Cookie(cookieName(name, tls))
	if err != nil || len(c.Value) > 128 {
		return ""
	}
	return c.Value
}
