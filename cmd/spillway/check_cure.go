package main

import (
	"fmt"
	"net"
	"net/url"
	"strings"

	"spillway/actions"
	"spillway/actions/link"
)

// pointCure says what to do about a point that could not be read.
func pointCure(l *actions.Link, err error) string {
	class := link.ClassOf(err)
	switch {
	case class == link.Rubbish:
		return "write the point's read, values and unit as the box tells them"
	case l.Protocol == "ocpp" && class == link.Unreachable:
		return callCure(l)
	case l.Protocol == "ocpp" && class == link.NotYet:
		return "wait; where it never comes, have the charger send it among its meter values"
	case l.Protocol == "ocpp" && class == link.Refused:
		return "see whether smart charging is switched on in the charger"
	case class == link.NotYet:
		return "wait until the box tells it; where it never comes, look at the point's read"
	case l.Protocol == "modbus" && class == link.Refused:
		return "look at the point's read, and at the unit, which ends the link's url"
	case class == link.Unreachable:
		return "look at the link's url and whether the box is on"
	}
	return "look at the link's url, the point's read and whether the box is on"
}

// callCure says what must be typed into a charger for it to come to l.
func callCure(l *actions.Link) string {
	u, err := url.Parse(l.URL)
	if err != nil {
		return "look at the link's url"
	}
	scheme, station := "ws", strings.Trim(u.Path, "/")
	if l.CertFile != "" {
		scheme = "wss"
	}
	give := fmt.Sprintf("give the charger %s://%s/ as its central system and %s as its name",
		scheme, net.JoinHostPort("THIS-MACHINE", u.Port()), station)
	if l.Password != "" {
		give += ", with the link's user and password"
	}
	if isLoopback(u.Hostname()) {
		give += fmt.Sprintf("; %s is for a charger on this machine: for one on the network write ocpp://0.0.0.0:%s/%s and a password_file",
			u.Hostname(), u.Port(), station)
	}
	return give
}
