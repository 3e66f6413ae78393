package main

import (
	"spillway/actions/link"
	"spillway/actions/link/command"
	httplink "spillway/actions/link/http"
	"spillway/actions/link/modbus"
	"spillway/actions/link/mqtt"
	"spillway/actions/link/ocpp"
)

// openers returns the link kinds, by protocol. A new kind is added here and nowhere else in this folder. OCPP links of one
// call may share a listen address.
func openers() map[string]link.Opener {
	return map[string]link.Opener{
		"mqtt":   mqtt.Open,
		"http":   httplink.Open,
		"modbus": modbus.Open,
		"ocpp":   ocpp.NewHub().Open,
		"exec":   command.Open,
	}
}
