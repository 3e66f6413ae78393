package ocpp

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log"
	"maps"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"golang.org/x/net/netutil"

	"spillway/actions"
	"spillway/actions/link"
)

// A Hub is what the chargers of one process come to: one listener for each address, shared by the links there. It is safe
// for concurrent use.
type Hub struct {
	mu    sync.Mutex
	doors map[string]*door
}

// NewHub returns a hub without listeners.
func NewHub() *Hub { return &Hub{doors: map[string]*door{}} }

// mostGuests is how many connections one address holds at a time, chargers and strangers together.
const mostGuests = 100

// A where is what a link's url says.
type where struct {
	address   string // host:port
	station   string
	connector int
	user      string
	password  string
	cert, key string // "" without TLS
}

func newWhere(spec actions.Link) (where, error) {
	u, err := url.Parse(spec.URL)
	if err != nil || u.User != nil || u.Hostname() == "" || u.Port() == "" {
		return where{}, errors.New("write its url as ocpp://127.0.0.1:8887/STATION")
	}
	w := where{address: u.Host, station: strings.Trim(u.Path, "/"), connector: 1, password: string(spec.Password), cert: spec.CertFile, key: spec.KeyFile}
	if w.user = spec.User; w.user == "" {
		w.user = w.station
	}
	switch {
	case u.Scheme != "ocpp" && u.Scheme != "ocpps":
		return where{}, fmt.Errorf("%q is no OCPP url", spec.URL)
	case w.station == "" || strings.Contains(w.station, "/"):
		return where{}, errors.New("its url ends in no station, which is the name that the charger shows")
	case u.Scheme == "ocpps" && w.cert == "":
		return where{}, errors.New("ocpps needs cert_file and key_file")
	case !loopback(u.Hostname()) && w.cert == "" && w.password == "":
		return where{}, errors.New("anyone on that network could be the charger: give it a password, or a certificate, or listen on 127.0.0.1")
	}
	for key, values := range u.Query() {
		n, err := strconv.Atoi(values[0])
		if key != "connector" || err != nil || n < 1 {
			return where{}, fmt.Errorf("its url says %s=%s: only connector=2 and the like is known", key, values[0])
		}
		w.connector = n
	}
	return w, nil
}

func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// A door is one listener with the links behind it.
type door struct {
	hub     *Hub
	address string
	cert    string
	key     string
	cancel  context.CancelFunc
	wg      sync.WaitGroup

	mu    sync.Mutex
	links map[string]*ocppLink // by station
	bound net.Addr             // nil until it listens
	fault error                // why it does not listen
}

// enter opens the door that l waits at, or joins it.
func (h *Hub) enter(l *ocppLink) error {
	h.mu.Lock()
	defer h.mu.Unlock()
	d := h.doors[l.where.address]
	if d == nil {
		d = &door{hub: h, address: l.where.address, cert: l.where.cert, key: l.where.key, links: map[string]*ocppLink{}}
		var config *tls.Config
		if d.cert != "" {
			pair, err := tls.LoadX509KeyPair(d.cert, d.key)
			if err != nil {
				return fmt.Errorf("read certificate %s and its key %s: %w", d.cert, d.key, err)
			}
			config = &tls.Config{MinVersion: tls.VersionTLS12, Certificates: []tls.Certificate{pair}}
		}
		var ctx context.Context
		ctx, d.cancel = context.WithCancel(context.Background())
		h.doors[d.address] = d
		d.wg.Go(func() { d.listen(ctx, config) })
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	switch {
	case d.cert != l.where.cert || d.key != l.where.key:
		return fmt.Errorf("another link listens on %s with another certificate", d.address)
	case d.links[l.where.station] != nil:
		return fmt.Errorf("another link waits for station %s on %s", l.where.station, d.address)
	}
	d.links[l.where.station] = l
	l.door = d
	return nil
}

// leave takes a link from its door, and closes the door behind the last.
func (h *Hub) leave(l *ocppLink) {
	h.mu.Lock()
	d := l.door
	d.mu.Lock()
	delete(d.links, l.where.station)
	last := len(d.links) == 0
	d.mu.Unlock()
	if last {
		delete(h.doors, d.address)
	}
	h.mu.Unlock()
	if last {
		d.cancel()
		d.wg.Wait()
	}
}

// listen serves until ctx ends. An address that is taken is tried again: the process before may be on its way out.
func (d *door) listen(ctx context.Context, config *tls.Config) {
	for wait := 100 * time.Millisecond; ctx.Err() == nil; wait = min(2*wait, time.Minute) {
		listener, err := net.Listen("tcp", d.address)
		d.mu.Lock()
		if d.fault = err; err == nil {
			d.bound = listener.Addr()
		}
		d.mu.Unlock()
		if err == nil {
			d.serve(ctx, listener, config)
			return
		}
		t := time.NewTimer(wait)
		select {
		case <-t.C:
		case <-ctx.Done():
			t.Stop()
		}
	}
}

func (d *door) serve(ctx context.Context, listener net.Listener, config *tls.Config) {
	listener = netutil.LimitListener(listener, mostGuests)
	if config != nil {
		listener = tls.NewListener(listener, config)
	}
	s := &http.Server{
		Handler: d, ReadHeaderTimeout: 10 * time.Second, IdleTimeout: time.Minute, MaxHeaderBytes: 16 << 10,
		ErrorLog: log.New(io.Discard, "", 0), // what strangers do is no news
	}
	stop := context.AfterFunc(ctx, func() { _ = s.Close() })
	defer stop()
	_ = s.Serve(listener)
	_ = s.Close()
}

// ServeHTTP lets a charger in by its name and, where one is set, its password (OCPP-J 1.6, 6.2; 2.0.1 Part 2, A00).
func (d *door) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	name := strings.Trim(r.URL.Path, "/")
	d.mu.Lock()
	l, all := d.links[name], slices.Collect(maps.Values(d.links))
	d.mu.Unlock()
	if l == nil {
		http.Error(w, "no such station", http.StatusNotFound)
		if r.Header.Get("Upgrade") != "" { // a browser that looks in is no charger
			for _, waits := range all {
				waits.knocked(fmt.Sprintf("a charger came as %.40q, not as %q: let the name in the charger and the end of the link's url agree", name, waits.where.station))
			}
		}
		return
	}
	if l.where.password != "" {
		user, password, _ := r.BasicAuth()
		if !same(user, l.where.user) || !same(password, l.where.password) {
			w.Header().Set("WWW-Authenticate", `Basic realm="ocpp"`)
			http.Error(w, "wrong user or password", http.StatusUnauthorized)
			l.knocked("a charger came with a wrong user or password")
			return
		}
	}
	l.welcome(w, r)
}

// same compares in a time that does not tell how much is right.
func same(a, b string) bool {
	x, y := sha256.Sum256([]byte(a)), sha256.Sum256([]byte(b))
	return subtle.ConstantTimeCompare(x[:], y[:]) == 1
}

// trouble says why no charger can come; "" where one can.
func (d *door) trouble() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.fault != nil {
		return d.fault.Error()
	}
	return ""
}

// Open opens a link of url ocpp://address:port/STATION. It is a [link.Opener].
func (h *Hub) Open(spec actions.Link, points []*actions.Point) (link.Link, error) {
	w, err := newWhere(spec)
	if err != nil {
		return nil, &link.Error{Class: link.Impossible, What: "link " + spec.Name, Err: err}
	}
	l := newLink(h, spec, w)
	for _, p := range points {
		if err := l.check(p); err != nil {
			return nil, err
		}
	}
	if err := h.enter(l); err != nil {
		return nil, &link.Error{Class: link.Impossible, What: "link " + spec.Name, Err: err}
	}
	return l, nil
}
