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
	if err != nil || loopback(u.Hostname()) || l.Protocol == "exec" || u.Scheme == "modbus+rtu" {
		return "", ""
	}
	tls := strings.HasSuffix(u.Scheme, "s") && l.Protocol != "modbus"
	locked := l.Password != "" || l.Token != "" || l.CertFile != ""
	switch {
	case l.Protocol == "modbus":
		return "whoever reaches " + u.Host + ", since Modbus knows no password,", "keep it on a network of its own"
	case l.Protocol == "ocpp" && l.CertFile == "":
		return "whoever listens on the way to the charger", "write cert_file and key_file, which makes it TLS"
	case !locked && !tls:
		return "whoever reaches " + u.Host, "write user and password_file, and the url with " + u.Scheme + "s, where the other end has them"
	case !locked:
		return "whoever reaches " + u.Host, "write user and password_file, where the other end has them"
	case !tls:
		return "whoever listens on the way to " + u.Host + " learns the password and", "write the url with " + u.Scheme + "s, where the other end has it"
	}
	return "", ""
}
