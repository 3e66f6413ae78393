package modbus

import (
	"testing"

	"go.uber.org/goleak"

	"spillway/actions/link/linktest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestConformanceTCP(t *testing.T) {
	linktest.Run(t, Open, linktest.Traits{}, func(t *testing.T) linktest.Peer { return newTCPBox(t) })
}
