package page

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/subtle"
	"fmt"
	"log/slog"
	"net/http"
	"net/netip"
	"strings"
	"sync"
	"time"

	"spillway/actions"
)

// Locks say who may come in. Without a password and a token everybody who reaches the page may: see [Exposed].
type Locks struct {
	User         string         // "": none is asked for
	PasswordHash string         // argon2id in PHC form
	Token        actions.Secret // as a bearer token (RFC 6750 2.1), or typed in place of the password
	TLS          bool           // the page is served over TLS
	Listen       string         // the address as configured: on loopback only this machine's loopback names are answered
	Names        []string       // further host names the page is reached under; "*.house.example" is any one label
}

// busyFor is how long a login waits for the one before it to be hashed.
const busyFor = 5 * time.Second

// A keeper tells who may come in. It is safe for concurrent use.
type keeper struct {
	Locks
	hash     hash
	guesses  *guesses
	sessions *sessions
	log      *slog.Logger
	hashing  chan struct{} // holds one: hashes take memory, and the runner comes first

	mu   sync.Mutex
	mark []byte // of the last right name and password, so that a calendar program's polls are not hashed each time
}

func newKeeper(l Locks, now func() time.Time, log *slog.Logger) (*keeper, error) {
	if err := l.Check(); err != nil {
		return nil, fmt.Errorf("publish.password_hash_file: %w", err)
	}
	k := &keeper{Locks: l, guesses: newGuesses(now), log: log, hashing: make(chan struct{}, 1)}
	k.hash, _ = parseHash(l.PasswordHash) // checked
	var err error
	k.sessions, err = newSessions(now)
	return k, err
}

// Check says what is wrong with the password's hash, where there is one.
func (l Locks) Check() error {
	if l.PasswordHash == "" {
		return nil
	}
	_, err := parseHash(l.PasswordHash)
	return err
}

// Locked reports whether anything is asked of who comes in.
func (l Locks) Locked() bool { return l.PasswordHash != "" || l.Token != "" }

// A visitor is who made a request.
type visitor struct {
	in     bool   // may read
	bearer bool   // by a token that no browser sends by itself
	cookie string // that a form is tied to; "" where there is none yet
}

// visitor tells who made a request. A wrong bearer token costs a guess; wait is then how long until another is heard.
func (k *keeper) visitor(r *http.Request) (v visitor, wait time.Duration) {
	if !k.Locked() {
		return visitor{in: true, cookie: cookieValue(r, visitCookie, k.TLS)}, 0
	}
	if given, ok := bearerOf(r); ok {
		in, wait := k.let(r, "", given, k.rightToken)
		return visitor{in: in, bearer: in}, wait
	}
	if c := cookieValue(r, sessionCookie, k.TLS); k.sessions.valid(c) {
		return visitor{in: true, cookie: c}, 0
	}
	return visitor{cookie: cookieValue(r, visitCookie, k.TLS)}, 0
}

func bearerOf(r *http.Request) (token string, ok bool) {
	scheme, token, ok := strings.Cut(r.Header.Get("Authorization"), " ")
	return strings.TrimSpace(token), ok && strings.EqualFold(scheme, "Bearer")
}

// login reports whether name and password are right. wait is above zero where the guess was not even looked at.
func (k *keeper) login(r *http.Request, user, password string) (ok bool, wait time.Duration) {
	return k.let(r, user, password, k.right)
}

// let spends a guess on a check, and gives it back where it was right.
func (k *keeper) let(r *http.Request, user, secret string, check func(context.Context, string, string) (bool, error)) (bool, time.Duration) {
	addr := addressOf(r)
	if wait := k.guesses.take(addr); wait > 0 {
		return false, wait
	}
	ok, err := check(r.Context(), user, secret)
	switch {
	case err != nil:
		k.guesses.right(addr) // it was not a guess: nobody looked
		return false, busyFor
	case ok:
		k.guesses.right(addr)
	default:
		k.log.Warn("a login to the page was refused: wrong name, password or token", "from", addr.String())
	}
	return ok, 0
}

func (k *keeper) rightToken(_ context.Context, _, token string) (bool, error) {
	return k.Token != "" && same(token, string(k.Token)), nil
}

// right checks the token, or name and password together, so that a wrong name takes as long as a wrong password.
func (k *keeper) right(ctx context.Context, user, password string) (bool, error) {
	if ok, _ := k.rightToken(ctx, "", password); ok {
		return true, nil
	}
	if k.PasswordHash == "" || len(password) > mostPassword {
		return false, nil
	}
	mark := k.markOf(user, password)
	if k.remembered(mark) {
		return true, nil
	}
	ctx, cancel := context.WithTimeout(ctx, busyFor)
	defer cancel()
	select {
	case k.hashing <- struct{}{}:
		defer func() { <-k.hashing }()
	case <-ctx.Done():
		return false, ctx.Err()
	}
	known := k.User == "" || same(user, k.User)
	if !k.hash.matches(password) || !known {
		return false, nil
	}
	k.mu.Lock()
	defer k.mu.Unlock()
	k.mark = mark
	return true, nil
}

func (k *keeper) markOf(user, password string) []byte {
	mac := hmac.New(sha256.New, k.sessions.key[:])
	fmt.Fprintf(mac, "login\x00%d\x00%s\x00%s", len(user), user, password) // a hash takes everything
	return mac.Sum(nil)
}

func (k *keeper) remembered(mark []byte) bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.mark != nil && hmac.Equal(k.mark, mark)
}

// same compares in a time that depends on neither text. Hashing first hides the lengths.
func same(a, b string) bool {
	x, y := sha256.Sum256([]byte(a)), sha256.Sum256([]byte(b))
	return subtle.ConstantTimeCompare(x[:], y[:]) == 1
}

// addressOf is the address of the connection. What a proxy says of who is behind it is not believed.
func addressOf(r *http.Request) netip.Addr {
	ap, err := netip.ParseAddrPort(r.RemoteAddr)
	if err != nil {
		return netip.Addr{}
	}
	return ap.Addr()
}
