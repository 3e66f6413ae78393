package feed

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"net/url"
	"path/filepath"
	"strings"
	"time"
	"unicode"

	"spillway/calendar"
)

// An Error says in one line why a poll failed: what, where, and what to do. It holds no secret: of an address it shows
// scheme and host only.
type Error struct {
	Feed   string // name of the feed; "" for an address given on the command line
	Where  string // scheme and host, or path
	What   string // what happened: "answered 404 Not Found"
	Cure   string // what to do
	Err    error  // cause; matches calendar.ErrEmpty, calendar.ErrNotCalendar, calendar.ErrTruncated and ErrTooBig
	after  time.Duration
	status int // of the answer; 0 where there was none
}

// Error returns the one line.
func (e *Error) Error() string {
	subject := e.Where
	if e.Feed != "" {
		subject = fmt.Sprintf("feed %s (%s)", e.Feed, e.Where)
	}
	return oneLine(fmt.Sprintf("%s %s: %s", subject, e.What, e.Cure))
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Err }

// fault makes an Error whose feed and place are filled in by the poll.
func fault(err error, cure, format string, args ...any) *Error {
	return &Error{What: fmt.Sprintf(format, args...), Cure: cure, Err: err}
}

// asError gives every error the form of an Error.
func asError(err error, s Spec) *Error {
	if e := (*Error)(nil); errors.As(err, &e) {
		return e
	}
	again := s.again()
	var (
		dns  *net.DNSError
		cert *tls.CertificateVerificationError
		rec  tls.RecordHeaderError
		auth x509.UnknownAuthorityError
		old  x509.CertificateInvalidError
		op   *net.OpError
	)
	switch {
	case errors.Is(err, context.DeadlineExceeded):
		return fault(err, again, "gave no whole answer within %s", s.Timeout)
	case errors.Is(err, errRefused):
		return fault(err, "point "+s.key("url")+" at where it should be read from", "redirects where it is not followed: %s",
			strings.TrimSuffix(root(err).Error(), ": "+errRefused.Error()))
	case errors.As(err, &dns) && dns.IsNotFound:
		return fault(err, "check "+s.key("url"), "cannot be reached: no host is called %s", dns.Name)
	case errors.As(err, &auth) && s.CAFile != "":
		return fault(err, "check "+s.key("ca_file")+": another authority signed it", "has a certificate that none in %s signed", filepath.Base(s.CAFile))
	case errors.As(err, &auth):
		return fault(err, "set "+s.key("ca_file")+" to the authority that signed it", "has a certificate no known authority signed")
	case errors.As(err, &old) && old.Reason == x509.Expired && old.Cert != nil:
		return fault(err, "have it renewed there, or set this machine's clock", "has a certificate valid only from %s to %s",
			old.Cert.NotBefore.UTC().Format(time.RFC3339), old.Cert.NotAfter.UTC().Format(time.RFC3339))
	case errors.As(err, &cert):
		return fault(err, "check its certificate and "+s.key("url"), "has a certificate that does not hold: %v", cert.Err)
	case errors.As(err, &rec):
		return fault(err, "write http:// (or caldav://) in "+s.key("url")+" if the host has no TLS", "does not speak TLS")
	case errors.As(err, &op) && op.Op == "dial":
		return fault(err, reachCure(s), "cannot be reached: %v", root(err))
	case errors.Is(err, io.EOF) && unencrypted(s):
		return fault(err, "write https:// (or caldavs://) in "+s.key("url")+" if the host wants TLS; else "+again, "hung up without an answer")
	case errors.Is(err, fs.ErrNotExist):
		return fault(err, "check "+s.key("url"), "is not there")
	case errors.Is(err, fs.ErrPermission):
		return fault(err, "let Spillway's user read it", "may not be read")
	}
	return fault(err, again, "cannot be read: %v", root(err))
}

// reachCure tells those who wrote webcal:// that it was taken for https.
func reachCure(s Spec) string {
	if strings.HasPrefix(strings.ToLower(s.URL), "webcal://") {
		return s.again() + "; write http:// or https:// in " + s.key("url") + " to say which webcal:// means"
	}
	return "check host and port in " + s.key("url") + " and whether the server is up; " + s.again()
}

// unencrypted reports whether the feed is asked without TLS, which a host that wants it may answer by hanging up.
func unencrypted(s Spec) bool {
	u := strings.ToLower(s.URL)
	return strings.HasPrefix(u, "http://") || strings.HasPrefix(u, "caldav://")
}

// bodyFault explains a body that cannot be used as a whole.
func bodyFault(err error, s Spec) error {
	again := s.again()
	switch e := (*Error)(nil); {
	case err == nil || errors.As(err, &e):
		return err
	case errors.Is(err, ErrTooBig):
		return tooBig(s)
	case errors.Is(err, io.ErrUnexpectedEOF):
		return fault(errors.Join(calendar.ErrTruncated, err), again, "was cut off on the way")
	case errors.Is(err, calendar.ErrEmpty):
		return fault(err, again+"; an empty calendar still has BEGIN:VCALENDAR", "is empty of bytes")
	case errors.Is(err, calendar.ErrTruncated):
		return fault(err, again, "ends before END:VCALENDAR")
	case errors.Is(err, calendar.ErrNotCalendar):
		return fault(err, "check that "+s.key("url")+" leads to the .ics and not to a page", "gave no iCalendar data: %v", err)
	case errors.Is(err, errXML):
		return fault(err, "check that "+s.key("url")+" leads to a calendar on a CalDAV server", "gave an answer that cannot be used: %v", err)
	}
	return err
}

func tooBig(s Spec) *Error {
	return fault(ErrTooBig, "raise "+s.key("max_body")+" if it is meant to be so large", "is larger than %s", bytesOf(s.MaxBody))
}

// bytesOf writes a size as max_body is written, where that is a whole number of MB.
func bytesOf(n int64) string {
	if n > 0 && n%1e6 == 0 {
		return fmt.Sprintf("%d MB", n/1e6)
	}
	return fmt.Sprintf("%d bytes", n)
}

// root strips the wrappings that repeat the address, secrets in it included.
func root(err error) error {
	for {
		var u *url.Error
		var p *fs.PathError
		var o *net.OpError
		switch {
		case errors.As(err, &u):
			err = u.Err
		case errors.As(err, &p):
			err = p.Err
		case errors.As(err, &o):
			err = o.Err
		default:
			return err
		}
	}
}

// oneLine makes a text of foreign bytes fit for one line on a terminal.
func oneLine(text string) string {
	const most = 400
	text = strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t':
			return ' '
		case !unicode.IsPrint(r):
			return -1
		}
		return r
	}, text)
	if runes := []rune(text); len(runes) > most {
		text = string(runes[:most]) + "…"
	}
	return text
}

// statusFault explains an answer that is no success. The server's own words are left out: they are foreign bytes.
func statusFault(resp *http.Response, s Spec, now time.Time) *Error {
	cure := s.again()
	switch code := resp.StatusCode; {
	case code == http.StatusUnauthorized || code == http.StatusForbidden:
		cure = fmt.Sprintf("check %s, %s and who may read the calendar", s.key("user"), s.key("password_file"))
		if s.Token != "" {
			cure = fmt.Sprintf("check %s and who may read the calendar", s.key("token_file"))
		}
	case code == http.StatusNotFound || code == http.StatusGone:
		cure = "check " + s.key("url")
	case code == http.StatusTooManyRequests:
		cure = "raise " + s.key("poll") + " if this goes on"
	case code/100 == 3 || code/100 == 4:
		cure = "check " + s.key("url")
	}
	what := strings.TrimSpace(fmt.Sprintf("answered %d %s", resp.StatusCode, http.StatusText(resp.StatusCode)))
	if at := keptFrom(resp, s); at != "" {
		what = "redirects to " + at + ", which " + what
		cure = "write that server in " + s.key("url") + ", since the password goes to the one named there only"
	}
	e := fault(nil, cure, "%s", what)
	e.status = resp.StatusCode
	e.after = retryAfter(resp.Header.Get("Retry-After"), now)
	return e
}

// keptFrom is the server that a redirect led to and that refused because credentials are not sent along; "" where they
// were sent, or there are none.
func keptFrom(resp *http.Response, s Spec) string {
	refused := resp.StatusCode == http.StatusUnauthorized || resp.StatusCode == http.StatusForbidden
	given := s.Token != "" || s.User != "" || s.Password != ""
	if !refused || !given || resp.Request == nil || resp.Request.Header.Get("Authorization") != "" {
		return ""
	}
	return resp.Request.URL.Scheme + "://" + resp.Request.URL.Host
}
