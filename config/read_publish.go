package config

import (
	"net"
	"strings"
)

// publish reads where the plan goes.
func (l *loader) publish(top section) Publish {
	s, _ := top.sub("publish")
	p := Publish{
		Listen: s.listen("listen"),
		Detail: s.choice("detail", "phases", "steps"),
		User:   s.text("user"),
		Token:  s.secret("token"),
	}
	if s.given("file") {
		p.File = l.path(s.text("file"))
	}
	p.CalDAV = s.collection()
	p.Remind = s.duration("remind", 0)
	if s.given("password_hash_file") {
		p.PasswordHash = strings.TrimSpace(string(s.file("password_hash_file", 4096)))
	}
	if s.given("user") && !s.given("password_hash_file") {
		s.note("user", "locks nothing by itself: write password_hash_file too")
	}
	p.TLSCert, p.TLSKey = s.keyPair("tls_cert", "tls_key")
	p.Names, _ = s.list("names")
	s.exposed(p)
	return p
}

// collection reads where the plan is put by CalDAV (RFC 4791).
func (s section) collection() Collection {
	c := Collection{User: s.text("caldav_user"), Password: s.secret("caldav_password"), Token: s.secret("caldav_token"), CAFile: s.certificates("caldav_ca_file")}
	if !s.given("caldav") {
		for _, key := range []string{"caldav_user", "caldav_password_file", "caldav_token_file", "caldav_ca_file"} {
			if s.given(key) {
				s.note(key, "belongs to nothing: write caldav, the collection's address")
			}
		}
		return c
	}
	u := s.url("caldav")
	if u == nil {
		return c
	}
	switch u.Scheme {
	case "caldav":
		u.Scheme = "http"
	case "caldavs":
		u.Scheme = "https"
	}
	if u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "" || u.RawQuery != "" || u.Fragment != "" {
		s.fail("caldav", "is no collection: write for instance caldavs://calendar.example/ada/plan/")
	}
	switch {
	case c.Password != "" && c.Token != "":
		s.fail("caldav_token_file", "and a password: one of the two")
	case c.Password != "" && c.User == "":
		s.fail("caldav_user", "is missing: a password belongs to a user")
	case u.Scheme == "http" && (c.Password != "" || c.Token != "") && !loopback(u.Hostname()):
		s.note("caldav", "sends its password without TLS: anyone on the way can read it")
	}
	c.URL = u.String()
	return c
}

// listen reads host:port.
func (s section) listen(name string) string {
	v := s.text(name)
	if v == "" {
		return ""
	}
	_, number, err := net.SplitHostPort(v)
	if _, ok := port(number); err != nil || !ok {
		s.fail(name, "is no address to listen on: write for instance 127.0.0.1:8377, port 0 picking a free one")
		return ""
	}
	return v
}

// exposed refuses an address that others can reach without locks: they could move the devices, or read the password on
// its way.
func (s section) exposed(p Publish) {
	if host, _, err := net.SplitHostPort(p.Listen); err != nil || loopback(host) {
		return
	}
	var missing []string
	if !s.given("password_hash_file") && !s.given("token_file") && !s.given("token") {
		missing = append(missing, "user and password_hash_file, or token_file")
	}
	if !s.given("tls_cert") {
		missing = append(missing, "tls_cert and tls_key")
	}
	if len(missing) > 0 {
		s.fail("listen", "is open to others, who could move these devices: write %s, or listen on 127.0.0.1", strings.Join(missing, "; and "))
	}
}
