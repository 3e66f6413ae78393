package config

import (
	"encoding/hex"
	"net/url"
	"strings"
	"time"

	"spillway/actions"
)

// links reads every link, by name.
func (l *loader) links(top section) []actions.Link {
	var all []actions.Link
	top.each("links", func(name string, s section) {
		k := actions.Link{
			Name:    name,
			Spacing: s.duration("spacing", 0),
			Timeout: s.duration("timeout", 100*time.Millisecond),
			Confirm: s.duration("confirm", 0),
			Tries:   s.count("tries", 1, 100),
		}
		if u := s.url("url"); u != nil {
			k.URL = u.String()
			k.Protocol = s.protocol(u)
		}
		if k.Protocol != "" {
			s.linkKeys(&k)
		}
		all = append(all, k)
	})
	return all
}

// linkKeys reads the keys that only some protocols have.
func (s section) linkKeys(k *actions.Link) {
	for _, name := range s.names() {
		if t := s.l.keys.at(splitPath(join(s.path, name))); t != nil && t.key != nil && !t.key.belongs(k.Protocol) {
			s.fail(name, "is no key of %s links: it belongs to %s", k.Protocol, strings.ReplaceAll(t.key.only, " ", ", "))
		}
	}
	k.User, k.Password, k.Token = s.text("user"), s.secret("password"), s.secret("token")
	k.Digest = s.truth("digest")
	k.CAFile = s.certificates("ca_file")
	k.CertFile, k.KeyFile = s.keyPair("cert_file", "key_file")
	k.PinSHA = s.pin("pin")
	k.ClientID, k.StatusTopic = s.text("client_id"), s.text("status")
	s.topic("status", k.StatusTopic)
	k.Headers = s.headers("headers")
	if s.given("dir") {
		k.Dir = s.l.path(s.text("dir"))
	}
	k.Env = s.environment("env")
	s.linkSecrets(k)
}

func (s section) linkSecrets(k *actions.Link) {
	switch {
	case k.Password != "" && k.Token != "":
		s.fail("token_file", "and a password: one of the two")
	case k.Password != "" && k.User == "" && k.Protocol != "ocpp":
		s.fail("user", "is missing: a password belongs to a user")
	case k.Digest && k.Password == "":
		s.fail("digest", "needs a user and a password")
	}
	u, err := url.Parse(k.URL)
	if err != nil {
		return
	}
	tls := strings.HasSuffix(u.Scheme, "s") || k.Protocol == "ocpp" && k.CertFile != ""
	switch {
	case u.Scheme == "ocpps" && k.CertFile == "":
		s.fail("cert_file", "is missing: TLS needs a certificate of its own and key_file")
	case k.Protocol == "ocpp" && !loopback(u.Hostname()) && !tls && k.Password == "":
		s.fail("url", "would let anyone on that network be the charger: write password_file, or cert_file and key_file, or listen on 127.0.0.1")
	case k.CAFile != "" && !tls:
		s.note("ca_file", "is of no use without TLS: write %ss:// in the url", u.Scheme)
	case k.PinSHA != "" && !tls:
		s.fail("pin", "is of no use without TLS: write https:// in the url")
	}
}

// pin reads the SHA-256 of a certificate.
func (s section) pin(name string) string {
	v := strings.ToLower(strings.ReplaceAll(s.text(name), ":", ""))
	if b, err := hex.DecodeString(v); v != "" && (err != nil || len(b) != 32) {
		s.fail(name, "is no SHA-256: 64 hex digits")
	}
	return v
}
