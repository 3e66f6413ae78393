package mqtt

import (
	"testing"

	"go.uber.org/goleak"

	"spillway/actions/link/linktest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestConformance5(t *testing.T) {
	linktest.Run(t, Open, linktest.Traits{Hears: true}, func(t *testing.T) linktest.Peer { return newBox(t, false) })
}

func TestConformance311(t *testing.T) {
	traits := linktest.Traits{Hears: true, Cannot: map[linktest.Manner]string{
		linktest.Refuse: "MQTT 3.1.1 has no way to refuse a message",
	}}
	linktest.Run(t, Open, traits, func(t *testing.T) linktest.Peer { return newBox(t, true) })
}
