package main

import (
	"spillway/actions/link"
	"spillway/actions/link/command"
	httplink "spillway/actions/link/http"
	"spillway/actions/link/mqtt"
)

// openers are the link kinds, by protocol. A new kind is added here and nowhere else in this folder.
var openers = map[string]link.Opener{
	"mqtt": mqtt.Open,
	"http": httplink.Open,
	"exec": command.Open,
}
