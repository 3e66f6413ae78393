package ocpp

import (
	"testing"

	"go.uber.org/goleak"

	"spillway/actions/link/linktest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestConformance16(t *testing.T) {
	linktest.Run(t, Open, linktest.Traits{}, func(t *testing.T) linktest.Peer { return newBox(t, "ocpp1.6") })
}

func TestConformance201(t *testing.T) {
	linktest.Run(t, Open, linktest.Traits{}, func(t *testing.T) linktest.Peer { return newBox(t, "ocpp2.0.1") })
}
