package config

import (
	"net/url"
	"path"
	"strings"

	"spillway/actions"
)

func modbusKind() linkKind {
	k := linkKind{
		protocol: "modbus",
		schemes:  []string{"modbus", serialLine},
		forms:    []string{"modbus://", serialLine + "://"},
		such:     `{ holding = 21, type = "int16" }`,
		url:      section.modbus,
		table: func(s section, _ string, p *actions.Point, a *actions.Address) {
			a.Register = s.register(p)
		},
		stranger: func(_ *actions.Link, u *url.URL) (who, cure string) {
			if u.Scheme == serialLine {
				return "", ""
			}
			return "whoever reaches " + u.Host + ", since Modbus knows no password,", "keep it on a network of its own"
		},
	}
	k.text = func(s section, name, _ string, _ *actions.Address) {
		s.fail(name, "is a table on modbus links: %s", k.proposal(name))
	}
	return k
}

// serialLine is the scheme of Modbus RTU.
const serialLine = "modbus+rtu"

// modbus checks an address of either scheme.
func (s section) modbus(u *url.URL) {
	if u.Scheme != serialLine {
		if s.host(u, "modbus://host:502/1") {
			s.unit(strings.Trim(u.Path, "/"))
		}
		return
	}
	line, unit := path.Split(strings.TrimRight(u.Path, "/"))
	if u.Host != "" || strings.Trim(line, "/") == "" {
		s.fail("url", "names no serial line: write modbus+rtu:///dev/ttyUSB0/1, the last part being the unit")
		return
	}
	s.unit(unit)
}

// unit checks the unit of a Modbus address. 0 is the broadcast, which answers nothing; 248 to 254 are reserved and 255
// serves boxes that have no unit (Modbus Messaging on TCP/IP V1.0b, 4.4.2.1).
func (s section) unit(part string) {
	if n, ok := port(part); !ok || n < 1 || n > 255 {
		s.fail("url", "ends in no unit: write for instance modbus://host:502/1, units being 1 to 247, or 255")
	}
}
