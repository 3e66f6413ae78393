package ocpp

import (
	"testing"

	"go.uber.org/goleak"

	"spillway/actions"
	"spillway/actions/link"
	"spillway/actions/link/linktest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestConformance16(t *testing.T) {
	linktest.Run(t, openAlone, linktest.Traits{}, func(t *testing.T) linktest.Peer { return newBox(t, "ocpp1.6") })
}

func TestConformance201(t *testing.T) {
	linktest.Run(t, openAlone, linktest.Traits{}, func(t *testing.T) linktest.Peer { return newBox(t, "ocpp2.0.1") })
}

// openAlone opens a link on a hub of its own.
func openAlone(spec actions.Link, points []*actions.Point) (link.Link, error) {
	return NewHub().Open(spec, points)
}
