package config

import (
	"net/url"
	"strings"

	"spillway/actions"
)

func ocppKind() linkKind {
	k := linkKind{
		protocol: "ocpp",
		schemes:  []string{"ocpp", "ocpps"},
		forms:    []string{"ocpp://"},
		such:     "one of " + strings.Join(stationPoints(), ", "),
		url:      section.station,
		text:     func(_ section, _, v string, a *actions.Address) { a.Path = v },
		point:    section.stationPoint,
		stranger: func(l *actions.Link, u *url.URL) (who, cure string) {
			if l.CertFile == "" {
				return "whoever listens on the way to the charger", "write cert_file and key_file, which makes it TLS"
			}
			return passerBy(l, u)
		},
	}
	k.table = func(s section, name string, p *actions.Point, _ *actions.Address) {
		if name != "write" || !s.given("lasts") || p.Ref.Point != "current" {
			s.fail("", "is a name on ocpp links: %s", k.proposal(name))
		}
	}
	return k
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
