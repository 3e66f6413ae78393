package httplink

import (
	"errors"
	"fmt"
	"net"
	"net/http"
	"strings"
	"time"

	"github.com/icholy/digest"

	"spillway/actions"
	"spillway/actions/link"
)

// clients are what requests go through: commands on a connection each, readings on a kept one.
type clients struct {
	command, reading *http.Client
}

func newClients(spec actions.Link) (clients, error) {
	tlsConfig, err := link.TLS(spec)
	if err != nil {
		return clients{}, err
	}
	transport := func(keep bool) *http.Transport {
		protocols := new(http.Protocols)
		protocols.SetHTTP1(true) // version 2 has retries of its own
		return &http.Transport{
			DialContext:            (&net.Dialer{}).DialContext,
			TLSClientConfig:        tlsConfig.Clone(),
			Protocols:              protocols,
			DisableKeepAlives:      !keep,
			DisableCompression:     true,
			MaxIdleConnsPerHost:    1,
			IdleConnTimeout:        30 * time.Second,
			MaxResponseHeaderBytes: 64 << 10,
		}
	}
	return clients{
		command: &http.Client{Transport: authenticate(spec, transport(false)), CheckRedirect: stay},
		reading: &http.Client{Transport: authenticate(spec, transport(true)), CheckRedirect: followHere},
	}, nil
}

func (c clients) close() {
	c.command.CloseIdleConnections()
	c.reading.CloseIdleConnections()
}

// authenticate adds the link's credentials to each request. The address's own headers come after it.
func authenticate(spec actions.Link, next http.RoundTripper) http.RoundTripper {
	switch {
	case spec.Token != "":
		return withHeader{next, "Authorization", "Bearer " + string(spec.Token)}
	case spec.User == "" && spec.Password == "":
		return next
	case spec.Digest:
		return &digest.Transport{Username: spec.User, Password: string(spec.Password), Transport: next}
	}
	r := &http.Request{Header: http.Header{}}
	r.SetBasicAuth(spec.User, string(spec.Password))
	return withHeader{next, "Authorization", r.Header.Get("Authorization")}
}

// withHeader sets a header that the request does not have.
type withHeader struct {
	next       http.RoundTripper
	name, text string
}

// RoundTrip implements [http.RoundTripper].
func (w withHeader) RoundTrip(r *http.Request) (*http.Response, error) {
	if r.Header.Get(w.name) == "" {
		r = r.Clone(r.Context())
		r.Header.Set(w.name, w.text)
	}
	return w.next.RoundTrip(r)
}

// CloseIdleConnections passes on what [http.Client.CloseIdleConnections] asks.
func (w withHeader) CloseIdleConnections() {
	if c, ok := w.next.(interface{ CloseIdleConnections() }); ok {
		c.CloseIdleConnections()
	}
}

// stay does not follow a redirect.
func stay(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }

var errElsewhere = errors.New("it redirects")

// followHere follows redirects on the same host, never out of TLS: credentials and headers of the link are for that
// host.
func followHere(r *http.Request, via []*http.Request) error {
	first := via[0].URL
	switch {
	case len(via) > 3:
		return fmt.Errorf("%w again and again", errElsewhere)
	case !strings.EqualFold(r.URL.Hostname(), first.Hostname()) || first.Scheme == "https" && r.URL.Scheme != "https":
		return fmt.Errorf("%w to %s://%s; put the right address in the link's url", errElsewhere, r.URL.Scheme, r.URL.Host)
	}
	return nil
}
