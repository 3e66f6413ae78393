package feed

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"os"
	"strings"
	"time"
)

const (
	mostRedirects = 5
	dialTimeout   = 15 * time.Second
)

// hooks are for tests of this package: names that resolve where no test may look them up.
type hooks struct {
	resolver *net.Resolver
}

// A client speaks HTTP with one configured host and, where redirected, with others. It follows redirects itself: the
// library's way turns PROPFIND into GET and sends credentials to subdomains.
type client struct {
	home  *url.URL
	auth  string // Authorization field for home; "" for none
	agent string
	near  http.RoundTripper // to home
	away  http.RoundTripper // to wherever redirects lead, guarded
	idle  []func()          // close idle connections
}

func newClient(s Spec, a address, o Options) (*client, error) {
	roots, err := authorities(s)
	if err != nil {
		return nil, err
	}
	c := &client{home: a.url, agent: o.UserAgent}
	switch {
	case s.Token != "":
		c.auth = "Bearer " + string(s.Token)
	case s.User != "" || s.Password != "":
		c.auth = "Basic " + base64.StdEncoding.EncodeToString([]byte(s.User+":"+string(s.Password)))
	}
	near := transport(roots, &net.Dialer{Timeout: dialTimeout, Resolver: o.hooks.resolver})
	away := transport(roots, &net.Dialer{Timeout: dialTimeout, Resolver: o.hooks.resolver, ControlContext: guardDial})
	away.DisableKeepAlives = true // a connection that is kept would be used again without the guard
	c.near, c.away = o.Wrap(near), o.Wrap(away)
	c.idle = []func(){near.CloseIdleConnections, away.CloseIdleConnections}
	return c, nil
}

// authorities are those in the feed's own file, or nil for the system's.
func authorities(s Spec) (*x509.CertPool, error) {
	if s.CAFile == "" {
		return nil, nil
	}
	pem, err := os.ReadFile(s.CAFile)
	if err != nil {
		return nil, fmt.Errorf("read authorities of %s: %w: check %s", s.called(), err, s.key("ca_file"))
	}
	roots := x509.NewCertPool()
	if !roots.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("read authorities of %s: %s holds no certificate: give %s a PEM file", s.called(), s.CAFile, s.key("ca_file"))
	}
	return roots, nil
}

// transport asks for gzip and unpacks it by itself; what is counted against MaxBody comes out of it.
func transport(roots *x509.CertPool, d *net.Dialer) *http.Transport {
	return &http.Transport{
		Proxy:                  http.ProxyFromEnvironment,
		DialContext:            d.DialContext,
		TLSClientConfig:        &tls.Config{MinVersion: tls.VersionTLS12, RootCAs: roots},
		ForceAttemptHTTP2:      true,
		TLSHandshakeTimeout:    dialTimeout,
		MaxIdleConnsPerHost:    1,
		IdleConnTimeout:        90 * time.Second,
		MaxResponseHeaderBytes: 64 << 10,
	}
}

// do makes one request and follows its redirects (RFC 9110 15.4), keeping the method. The caller closes the body.
func (c *client) do(ctx context.Context, method string, header http.Header, body []byte) (*http.Response, error) {
	at, way := c.home, &trail{}
	ctx = way.follow(ctx)
	for hop := 0; ; hop++ {
		resp, err := c.send(ctx, method, at, header, body)
		if err != nil {
			return nil, err
		}
		if !isRedirect(resp.StatusCode) || resp.Header.Get("Location") == "" {
			return resp, nil
		}
		// What a redirect says besides is not wanted, but a short text lets the connection be used again.
		_, _ = io.CopyN(io.Discard, resp.Body, 4<<10)
		_ = resp.Body.Close()
		if hop == mostRedirects {
			return nil, fmt.Errorf("there are more than %d redirects: %w", mostRedirects, errRefused)
		}
		if resp.StatusCode == http.StatusSeeOther && method != http.MethodGet {
			return nil, fmt.Errorf("%s is answered by See Other: %w", method, errRefused)
		}
		if at, err = c.next(at, resp.Header.Get("Location"), way); err != nil {
			return nil, err
		}
	}
}

func (c *client) send(ctx context.Context, method string, at *url.URL, header http.Header, body []byte) (*http.Response, error) {
	var r io.Reader
	if body != nil {
		r = bytes.NewReader(body)
	}
	req, err := http.NewRequestWithContext(ctx, method, at.String(), r)
	if err != nil {
		return nil, err
	}
	for name, values := range header {
		req.Header[name] = values
	}
	req.Header.Set("User-Agent", c.agent)
	// All that is asked here is safe to repeat, PROPFIND and REPORT too. The transport takes an empty key as word of it
	// and sends none.
	req.Header["Idempotency-Key"] = nil
	if !sameServer(c.home, at) {
		return c.away.RoundTrip(req)
	}
	if c.auth != "" {
		req.Header.Set("Authorization", c.auth)
	}
	return c.near.RoundTrip(req)
}

func isRedirect(code int) bool {
	switch code {
	case http.StatusMovedPermanently, http.StatusFound, http.StatusSeeOther, http.StatusTemporaryRedirect, http.StatusPermanentRedirect:
		return true
	}
	return false
}

// next resolves where a redirect leads and refuses what may not be followed.
func (c *client) next(from *url.URL, location string, way *trail) (*url.URL, error) {
	to, err := from.Parse(location)
	if err != nil {
		return nil, fmt.Errorf("the redirect's address cannot be read: %w", errRefused)
	}
	switch {
	case to.Scheme != "http" && to.Scheme != "https":
		return nil, fmt.Errorf("%s is no scheme to be redirected to: %w", to.Scheme, errRefused)
	case from.Scheme == "https" && to.Scheme == "http":
		return nil, fmt.Errorf("%s is not encrypted and the feed is: %w", to.Host, errRefused)
	case to.Hostname() == "":
		return nil, fmt.Errorf("the redirect's address has no host: %w", errRefused)
	}
	// Said here for addresses written out, also behind a proxy; names are judged when they are dialled.
	if ip, err := netip.ParseAddr(to.Hostname()); err == nil && !sameServer(c.home, to) {
		if err := mayGo(ip, way.private.Load()); err != nil {
			return nil, err
		}
	}
	return to, nil
}

// sameServer reports whether credentials for home may go to u: the same host and port, or home's own move from http to
// https on the standard ports.
func sameServer(home, u *url.URL) bool {
	if !strings.EqualFold(home.Hostname(), u.Hostname()) {
		return false
	}
	if home.Scheme == u.Scheme {
		return portOf(home) == portOf(u)
	}
	return home.Scheme == "http" && u.Scheme == "https" && portOf(home) == "80" && portOf(u) == "443"
}

func portOf(u *url.URL) string {
	switch {
	case u.Port() != "":
		return u.Port()
	case u.Scheme == "https":
		return "443"
	}
	return "80"
}

func (c *client) close() {
	for _, f := range c.idle {
		f()
	}
}

// bodyOf gives the bytes of an answer, decoded. What is still encoded then was packed in a way nobody asked for.
func bodyOf(resp *http.Response) (io.Reader, error) {
	if enc := resp.Header.Get("Content-Encoding"); enc != "" && !strings.EqualFold(enc, "identity") {
		return nil, errors.New("the body is packed in a way that was not asked for")
	}
	return resp.Body, nil
}
