package config

import (
	"net/netip"
	"net/url"
	"strconv"
	"strings"
)

// url reads an address. One with a password in it is refused, and then it is not shown.
func (s section) url(name string) *url.URL {
	raw := s.required(name)
	if raw == "" {
		return nil
	}
	u, err := url.Parse(raw)
	if err != nil {
		// What url.Parse says quotes the whole address, and a password may be in it.
		s.hidden(name, "is no url: look for spaces, stray signs and a port that is no number")
		return nil
	}
	if _, has := u.User.Password(); has {
		prefix := "" // of the keys that go with it
		if name != "url" {
			prefix = name + "_"
		}
		s.hidden(name, "has a password in it: take it out and write %s; then %s", prefix+"user", secretCure(join(s.path, prefix+"password")))
		return nil
	}
	return u
}

// hidden records a fault without the value.
func (s section) hidden(name, format string, args ...any) {
	n := s.node(name)
	s.l.fault(n, join(s.path, name), "", format, args...)
}

// port returns the number of a port, or false.
func port(s string) (int, bool) {
	n, err := strconv.Atoi(s)
	return n, err == nil && n >= 0 && n <= 65535 && strings.Trim(s, "0123456789") == ""
}

// loopback reports whether a host is this machine alone.
func loopback(host string) bool {
	if host == "localhost" {
		return true
	}
	ip, err := netip.ParseAddr(strings.Trim(host, "[]"))
	return err == nil && ip.IsLoopback()
}
