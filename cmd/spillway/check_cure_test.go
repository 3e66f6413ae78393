package main

import (
	"errors"
	"testing"

	"spillway/actions"
	"spillway/actions/link"
)

// What is to be done fits what went wrong: a charger is told where to call in, a Modbus box is asked for its unit.
func TestPointCure(t *testing.T) {
	yard := actions.Link{Protocol: "ocpp", URL: "ocpp://127.0.0.1:8887/YARD"}
	house := actions.Link{Protocol: "ocpp", URL: "ocpp://0.0.0.0:8887/YARD", User: "spillway", Password: "long", CertFile: "cert.pem"}
	box := actions.Link{Protocol: "modbus", URL: "modbus://127.0.0.1:502/1"}
	const anywhere = "look at the link's url, the point's read and whether the box is on"
	for _, test := range []struct {
		link *actions.Link
		err  error
		want string
	}{
		{&yard, &link.Error{Class: link.Unreachable}, "give the charger ws://THIS-MACHINE:8887/ as its central system and YARD as its name; " +
			"127.0.0.1 is for a charger on this machine: for one on the network write ocpp://0.0.0.0:8887/YARD and a password_file"},
		{&house, &link.Error{Class: link.Unreachable}, "give the charger wss://THIS-MACHINE:8887/ as its central system and YARD as its name, with the link's user and password"},
		{&yard, &link.Error{Class: link.NotYet}, "wait; where it never comes, have the charger send it among its meter values"},
		{&yard, &link.Error{Class: link.Refused}, "see whether smart charging is switched on in the charger"},
		{&box, &link.Error{Class: link.Refused}, "look at the point's read, and at the unit, which ends the link's url"},
		{&box, &link.Error{Class: link.Unreachable}, "look at the link's url and whether the box is on"},
		{&box, &link.Error{Class: link.Rubbish}, "write the point's read, values and unit as the box tells them"},
		{&box, &link.Error{Class: link.Unknown}, anywhere},
		{&yard, errors.New("of another kind"), anywhere},
	} {
		if got := pointCure(test.link, test.err); got != test.want {
			t.Errorf("%s, %v:\n got %s\nwant %s", test.link.URL, test.err, got, test.want)
		}
	}
}
