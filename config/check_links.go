package config

import (
	"net/url"
	"strings"

	"spillway/actions"
)

// links says of each link who else could move what is behind it.
func (k *checker) links() {
	for i := range k.p.Links {
		l := &k.p.Links[i]
		where, behind := "links."+l.Name, strings.Join(k.behind(l.Name), ", ")
		if behind == "" {
			k.add(Note, where, "take it out, or name it as the link of a device", "no device is behind it")
			continue
		}
		who, cure := stranger(l)
		if who == "" {
			k.add(OK, where, "", "%s, for %s", l.Protocol, behind)
			continue
		}
		k.add(Note, where, cure, "%s could move %s", who, behind)
	}
}

// stranger says who else could give commands on a link, as far as its configuration shows; "" for nobody beyond this
// machine.
func stranger(l *actions.Link) (who, cure string) {
	u, err := url.Parse(l.URL)
	if err != nil || loopback(u.Hostname()) {
		return "", ""
	}
	if kind := kindOf(l.Protocol); kind != nil && kind.stranger != nil {
		return kind.stranger(l, u)
	}
	return passerBy(l, u)
}

// passerBy is stranger for a link that is guarded by TLS and by what its other end asks for.
func passerBy(l *actions.Link, u *url.URL) (who, cure string) {
	tls := strings.HasSuffix(u.Scheme, "s")
	locked := l.Password != "" || l.Token != "" || l.CertFile != ""
	switch {
	case !locked && !tls:
		return "whoever reaches " + u.Host, "write user and password_file, and the url with " + u.Scheme + "s, where the other end has them"
	case !locked:
		return "whoever reaches " + u.Host, "write user and password_file, where the other end has them"
	case !tls:
		return "whoever listens on the way to " + u.Host + " learns the password and", "write the url with " + u.Scheme + "s, where the other end has it"
	}
	return "", ""
}
