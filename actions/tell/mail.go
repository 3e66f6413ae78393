package tell

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"net/url"
	"strconv"
	"strings"

	"github.com/wneessen/go-mail"

	"spillway/actions"
)

// A Mail sends each message to one address, so that one address that is refused keeps nobody else from being told.
type Mail struct {
	URL      string // smtp://host:587, which asks for TLS by STARTTLS where offered (RFC 3207), or smtps://host:465 (RFC 8314 3.3)
	From, To string // addresses (RFC 5322 3.4)
	User     string // none: no login
	Password actions.Secret
	Roots    *x509.CertPool // nil: the system's
}

// Ports where the url gives none: submission (RFC 6409 3.1), and submissions (RFC 8314 7.3).
const (
	submission  = 587
	submissions = 465
)

// Send hands the message to the server. It counts as sent once the server has taken its text, whatever follows.
func (m Mail) Send(ctx context.Context, message Message) error {
	u, err := url.Parse(m.URL)
	if err != nil || u.Hostname() == "" {
		return errors.New("the mail server's url is none")
	}
	msg, err := m.compose(message)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	client, err := m.client(ctx, u)
	if err != nil {
		return fmt.Errorf("mail by %s: %w", u.Host, err)
	}
	if err := client.DialAndSendWithContext(ctx, msg); err != nil && !msg.IsDelivered() {
		return fmt.Errorf("mail by %s: %s", u.Host, line(err.Error(), mostWhat))
	}
	return nil
}

func (m Mail) compose(message Message) (*mail.Msg, error) {
	msg := mail.NewMsg()
	if err := errors.Join(msg.From(m.From), msg.To(m.To)); err != nil {
		return nil, err
	}
	msg.Subject(message.Subject())
	msg.SetDateWithValue(message.At.In(message.Zone))
	_, domain, _ := strings.Cut(msg.GetFrom()[0].Address, "@")
	msg.SetMessageIDWithValue(message.ID + "@" + domain)
	// Absence notes and the like are not to answer (RFC 3834 5).
	msg.SetGenHeader("Auto-Submitted", "auto-generated")
	msg.SetUserAgent("Spillway")
	msg.SetBodyString(mail.TypeTextPlain, message.Text())
	return msg, nil
}

// client opens nothing yet. The password goes to the server over TLS alone, or within this machine.
func (m Mail) client(ctx context.Context, u *url.URL) (*mail.Client, error) {
	host, here := u.Hostname(), loopback(u.Hostname())
	secure := &tls.Config{ServerName: host, RootCAs: m.Roots, MinVersion: tls.VersionTLS12}
	// A server on this machine often has a certificate that it made itself, and nobody is on the way to it.
	secure.InsecureSkipVerify = here && m.Roots == nil
	port := submission
	policy := mail.TLSOpportunistic
	implicit := u.Scheme == "smtps"
	if implicit {
		port = submissions
	} else if m.User != "" && !here {
		policy = mail.TLSMandatory
	}
	if n, err := strconv.Atoi(u.Port()); err == nil {
		port = n
	}
	opts := []mail.Option{
		mail.WithPort(port), mail.WithTimeout(sendWithin), mail.WithTLSPolicy(policy), mail.WithTLSConfig(secure),
		mail.WithDialContextFunc(func(_ context.Context, network, address string) (net.Conn, error) {
			return dialWith(ctx, network, address, implicit, secure)
		}),
	}
	if implicit {
		opts = append(opts, mail.WithSSL())
	}
	if m.User != "" {
		opts = append(opts, mail.WithUsername(m.User), mail.WithPassword(string(m.Password)), mail.WithOpportunisticSMTPAuth(
			mail.SMTPAuthSCRAMSHA256, mail.SMTPAuthSCRAMSHA1, mail.SMTPAuthPlain, mail.SMTPAuthLogin, mail.SMTPAuthCramMD5))
	}
	return mail.NewClient(host, opts...)
}

// dialWith dials, and closes the connection when ctx ends: the library bounds each command, not the whole, and leaves the
// connection open where the greeting or the login goes wrong.
func dialWith(ctx context.Context, network, address string, implicit bool, secure *tls.Config) (c net.Conn, err error) {
	if implicit {
		c, err = (&tls.Dialer{Config: secure}).DialContext(ctx, network, address)
	} else {
		c, err = (&net.Dialer{}).DialContext(ctx, network, address)
	}
	if err == nil {
		context.AfterFunc(ctx, func() { _ = c.Close() })
	}
	return c, err
}

// loopback reports whether a host is this machine.
func loopback(host string) bool {
	if strings.EqualFold(host, "localhost") {
		return true
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.Unmap().IsLoopback()
}
