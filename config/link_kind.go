package config

import (
	"net/url"
	"strings"

	"spillway/actions"
)

// A linkKind is what the configuration knows of one kind of link beside its rows in the table of keys. Each stands in a
// file of its own. What is nil has nothing to say.
type linkKind struct {
	protocol string   // as in actions.Link
	schemes  []string // of its urls
	forms    []string // of its urls, as an error proposes them
	such     string   // an address, as an error proposes it

	// url complains of a url that can never work.
	url func(s section, u *url.URL)
	// text reads the short form v of the address of that name, "write" or "read".
	text func(s section, name, v string, a *actions.Address)
	// list reads an address that is a list; most kinds have none.
	list func(s section, name string, a *actions.Address)
	// table reads the long form, which s is the table of.
	table func(s section, name string, p *actions.Point, a *actions.Address)
	// tells reports whether a command says which value it is for.
	tells func(a *actions.Address) bool
	// point gives a point what it has by itself on a link of this kind.
	point func(s section, p *actions.Point, write, read *actions.Address) (w, r *actions.Address)
	// stranger says who else could give commands on a link of this kind, and what to do about it: "" for nobody. Where it
	// is nil, user, password and TLS of the link decide.
	stranger func(l *actions.Link, u *url.URL) (who, cure string)
}

// linkKinds returns every kind of link. A new one is a line here.
func linkKinds() []linkKind {
	return []linkKind{mqttKind(), httpKind(), modbusKind(), ocppKind(), execKind()}
}

// kindOf returns the kind of link with that protocol, or nil.
func kindOf(protocol string) *linkKind {
	for _, k := range linkKinds() {
		if k.protocol == protocol {
			return &k
		}
	}
	return nil
}

// protocol tells from a link's url how it speaks, and checks the url's other parts.
func (s section) protocol(u *url.URL) string {
	var forms []string
	for _, k := range linkKinds() {
		for _, scheme := range k.schemes {
			if u.Scheme == scheme {
				k.url(s, u)
				return k.protocol
			}
		}
		forms = append(forms, k.forms...)
	}
	last := len(forms) - 1
	s.fail("url", "speaks no known protocol: write %s or %s", strings.Join(forms[:last], ", "), forms[last])
	return ""
}

// proposal says how the address of that name is written.
func (k *linkKind) proposal(name string) string { return "write " + name + " = " + k.such }

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
