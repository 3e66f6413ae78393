package config

import (
	"encoding/hex"
	"net/url"
	"path"
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

// protocol tells from a link's url how it speaks, and checks the url's other parts.
func (s section) protocol(u *url.URL) string {
	scheme := u.Scheme
	switch scheme {
	case "mqtt", "mqtts":
		if s.host(u, "mqtt://host:1883") && strings.Trim(u.Path, "/") != "" {
			s.fail("url", "has a path: topics belong to the points")
		}
		return "mqtt"
	case "http", "https":
		s.host(u, "http://host/base/")
		if u.RawQuery != "" || u.Fragment != "" {
			s.fail("url", "is the base of all paths and has no ? or #: write those in the points' paths")
		}
		return "http"
	case "modbus":
		if s.host(u, "modbus://host:502/1") {
			s.unit(strings.Trim(u.Path, "/"))
		}
		return "modbus"
	case "modbus+rtu":
		line, unit := path.Split(strings.TrimRight(u.Path, "/"))
		if u.Host != "" || strings.Trim(line, "/") == "" {
			s.fail("url", "names no serial line: write modbus+rtu:///dev/ttyUSB0/1, the last part being the unit")
		} else {
			s.unit(unit)
		}
		return "modbus"
	case "ocpp", "ocpps":
		s.station(u)
		return "ocpp"
	case "exec":
		if u.Opaque != "" || u.Host != "" || u.Path != "" {
			s.fail("url", "is exec: and nothing more; the program stands in the points' write and read")
		}
		return "exec"
	}
	s.fail("url", "speaks no known protocol: write mqtt(s)://, http(s)://, modbus://, modbus+rtu://, ocpp:// or exec:")
	return ""
}

// host complains of a url without a host, or with a port that is none.
func (s section) host(u *url.URL, such string) bool {
	n, ok := port(u.Port())
	switch {
	case u.Hostname() == "":
		s.fail("url", "names no host: write for instance %s", such)
	case u.Port() != "" && (!ok || n == 0):
		s.fail("url", "has a port that is none: 1 to 65535")
	default:
		return true
	}
	return false
}

// unit checks the unit of a Modbus address. 0 is the broadcast, which answers nothing; 248 to 254 are reserved and 255
// serves boxes that have no unit (Modbus Messaging on TCP/IP V1.0b, 4.4.2.1).
func (s section) unit(part string) {
	if n, ok := port(part); !ok || n < 1 || n > 255 {
		s.fail("url", "ends in no unit: write for instance modbus://host:502/1, units being 1 to 247, or 255")
	}
}

// station checks the address that an OCPP charger comes to.
func (s section) station(u *url.URL) {
	name := strings.Trim(u.Path, "/")
	switch {
	case u.Hostname() == "" || u.Port() == "":
		s.fail("url", "names no address to listen on: write for instance ocpp://127.0.0.1:8887/STATION")
	case name == "" || strings.Contains(name, "/"):
		s.fail("url", "ends in no station: write ocpp://%s/STATION, the name that the charger shows", u.Host)
	default:
		s.host(u, "ocpp://127.0.0.1:8887/STATION")
	}
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

// headers reads a table of header fields. Their names are tokens and their values one line (RFC 9110 5.1, 5.5).
func (s section) headers(name string) map[string]string {
	n := s.get(name)
	if n == nil {
		return nil
	}
	if n.shape != table {
		s.fail(name, "is a table%s", s.such(name))
		return nil
	}
	all := map[string]string{}
	for _, kid := range n.keys {
		v, ok := kid.string()
		if !ok || strings.ContainsAny(v, "\r\n\x00") || !isToken(kid.key) {
			s.failAt(kid, join(join(s.path, name), kid.key), "is no header: a name of letters and hyphens, and one line of text")
			continue
		}
		if strings.EqualFold(kid.key, "authorization") || strings.EqualFold(kid.key, "cookie") {
			s.l.fault(kid, join(join(s.path, name), kid.key), "", "a secret does not stand in this file: use user and password_file, or token_file")
			continue
		}
		all[kid.key] = v
	}
	return all
}

func isToken(s string) bool {
	return s != "" && strings.IndexFunc(s, func(r rune) bool {
		return r > 'z' || r < '0' && r != '-' || r > '9' && r < 'A' || r > 'Z' && r < 'a' && r != '_'
	}) < 0
}

// environment reads the variables that a program sees, as a list of NAME=value or as a table.
func (s section) environment(name string) []string {
	n := s.get(name)
	if n == nil {
		return nil
	}
	if n.shape == table {
		var all []string
		for _, kid := range n.keys {
			v, ok := kid.string()
			if !ok || !isToken(kid.key) {
				s.failAt(kid, join(join(s.path, name), kid.key), "is no variable: a name, and text between quotes")
			}
			all = append(all, kid.key+"="+v)
		}
		return all
	}
	all, nodes := s.list(name)
	for i, v := range all {
		if key, _, ok := strings.Cut(v, "="); !ok || !isToken(key) {
			s.failAt(nodes[i], join(s.path, name), "is no variable: write NAME=value")
		}
	}
	return all
}
