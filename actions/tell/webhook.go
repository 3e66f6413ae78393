package tell

import (
	"bytes"
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"

	"spillway/actions"
)

// A Webhook posts each message as JSON; any 2xx answer takes it. Its address may itself be the secret, so errors name only
// the host.
type Webhook struct {
	URL      string
	User     string // basic authentication (RFC 7617), where Password is given
	Password actions.Secret
	Token    actions.Secret // bearer (RFC 6750)
	Roots    *x509.CertPool // nil: the system's
}

// Send posts the message. A redirect is not followed: nobody but the address that was configured is told.
func (w Webhook) Send(ctx context.Context, m Message) error {
	q, err := http.NewRequestWithContext(ctx, http.MethodPost, w.URL, bytes.NewReader(m.JSON()))
	if err != nil {
		return errors.New("the webhook's url is none")
	}
	q.Header.Set("Content-Type", "application/json")
	q.Header.Set("User-Agent", "Spillway")
	switch {
	case w.Token != "":
		q.Header.Set("Authorization", "Bearer "+string(w.Token))
	case w.Password != "":
		q.SetBasicAuth(w.User, string(w.Password))
	}
	res, err := w.client().Do(q)
	if err != nil {
		return fmt.Errorf("post to %s: %w", q.URL.Host, withoutURL(err))
	}
	defer func() { _ = res.Body.Close() }() // nothing of it is needed
	said, _ := io.ReadAll(io.LimitReader(res.Body, 200))
	switch {
	case res.StatusCode >= 200 && res.StatusCode < 300:
		return nil
	case res.StatusCode >= 300 && res.StatusCode < 400:
		return fmt.Errorf("post to %s: %s: it points elsewhere; write the address that it points to", q.URL.Host, res.Status)
	}
	return fmt.Errorf("post to %s: %s: %s", q.URL.Host, line(res.Status, mostWhere), line(string(said), mostWhat))
}

// client keeps no connection: messages are hours or months apart.
func (w Webhook) client() *http.Client {
	transport := http.DefaultTransport.(*http.Transport).Clone()
	transport.DisableKeepAlives = true
	if w.Roots != nil {
		transport.TLSClientConfig = &tls.Config{RootCAs: w.Roots, MinVersion: tls.VersionTLS12}
	}
	return &http.Client{
		Transport:     transport,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

func withoutURL(err error) error {
	var u *url.Error
	if errors.As(err, &u) {
		return u.Err
	}
	return err
}
