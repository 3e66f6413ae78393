package page

import (
	"crypto/tls"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"sync"
	"time"

	"golang.org/x/net/netutil"
)

// mostConnections bounds what visitors can take of the program's file descriptors: the links need theirs.
const mostConnections = 128

// Exposed refuses a listen address that others can reach where no lock is set, or where what they type would cross the
// network readable.
func Exposed(listen string, l Locks) error {
	const cure = ", or listen on 127.0.0.1 behind a proxy of your own"
	switch {
	case listen == "" || Loopback(listen):
		return nil
	case !l.Locked():
		return fmt.Errorf("publish.listen = %q: others could move these devices: write user and password_hash_file, or token_file, and tls_cert and tls_key%s", listen, cure)
	case !l.TLS:
		return fmt.Errorf("publish.listen = %q: the password would cross the network readable: write tls_cert and tls_key%s", listen, cure)
	}
	return nil
}

// NewServer returns a server for h with limits that slow and large requests run into. Its WriteTimeout holds for each
// answer; the live page moves it on.
func NewServer(h http.Handler, log *slog.Logger) *http.Server {
	return &http.Server{
		Handler:           h,
		ReadHeaderTimeout: 10 * time.Second,
		ReadTimeout:       20 * time.Second,
		WriteTimeout:      30 * time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    16 << 10,
		ErrorLog:          slog.NewLogLogger(log.Handler(), slog.LevelDebug),
	}
}

// Limit returns ln with at most so many connections at once that the rest of the program keeps its files and sockets.
func Limit(ln net.Listener) net.Listener { return netutil.LimitListener(ln, mostConnections) }

// A Certificate is a TLS certificate with its key, read again when its file has changed, so that a renewed one needs no
// restart. It is safe for concurrent use.
type Certificate struct {
	cert, key string
	now       func() time.Time

	mu     sync.Mutex
	looked time.Time
	stamp  time.Time
	held   *tls.Certificate
}

// certificateEvery is how often the file is looked at.
const certificateEvery = time.Minute

// OpenCertificate reads a certificate and its key in PEM form.
func OpenCertificate(cert, key string) (*Certificate, error) {
	c := &Certificate{cert: cert, key: key, now: time.Now}
	if err := c.read(); err != nil {
		return nil, fmt.Errorf("publish.tls_cert: %w: give a certificate in PEM form and the key that belongs to it", err)
	}
	return c, nil
}

func (c *Certificate) read() error {
	info, err := os.Stat(c.cert)
	if err != nil {
		return err
	}
	pair, err := tls.LoadX509KeyPair(c.cert, c.key)
	if err != nil {
		return err
	}
	c.held, c.stamp = &pair, info.ModTime()
	return nil
}

// Names returns the host names that the certificate is for.
func (c *Certificate) Names() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.held.Leaf == nil {
		return nil
	}
	return c.held.Leaf.DNSNames
}

// TLS returns the settings of a server with this certificate: TLS 1.2 or newer, the library's ciphers.
func (c *Certificate) TLS() *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS12, NextProtos: []string{"h2", "http/1.1"}, GetCertificate: func(*tls.ClientHelloInfo) (*tls.Certificate, error) {
		c.mu.Lock()
		defer c.mu.Unlock()
		if now := c.now(); now.Sub(c.looked) >= certificateEvery {
			c.looked = now
			// A pair that is being replaced may not fit for a moment; the old one serves until it does.
			if info, err := os.Stat(c.cert); err == nil && !info.ModTime().Equal(c.stamp) {
				_ = c.read()
			}
		}
		return c.held, nil
	}}
}
