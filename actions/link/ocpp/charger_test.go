package ocpp

import (
	"bytes"
	"io"
	"net"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/link"
)

// TestCharger leads a charger that is none of ours, started as SPILLWAY_OCPP_PEER PORT VERSION PASSWORD in
// SPILLWAY_OCPP_DIR, which holds every message, both ways, against the published schemas.
func TestCharger(t *testing.T) {
	peer := strings.Fields(os.Getenv("SPILLWAY_OCPP_PEER"))
	if len(peer) == 0 {
		t.Skip("SPILLWAY_OCPP_PEER is not set: no charger to test against")
	}
	for _, version := range []string{"ocpp1.6", "ocpp2.0.1"} {
		for _, password := range []string{"", "correct-horse-battery"} {
			t.Run(version+" "+password, func(t *testing.T) { leadCharger(t, peer, version, password) })
		}
	}
}

func leadCharger(t *testing.T, peer []string, version, password string) {
	address := port(t)
	plugged, charging, current, power, energy := point("plugged"), point("charging"), point("current"), point("power"), point("energy")
	spec := actions.Link{URL: "ocpp://" + address + "/CP1", Password: actions.Secret(password)}
	l := open(t, openAlone, spec, plugged, charging, current, power, energy)

	_, number, err := net.SplitHostPort(address)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), peer[0], append(peer[1:], number, version, password)...)
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr, cmd.Dir = &said, &said, os.Getenv("SPILLWAY_OCPP_DIR")
	tell, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() {
		_, _ = io.WriteString(tell, "end\n")
		if err := cmd.Wait(); err != nil || !strings.Contains(said.String(), "violations 0") {
			t.Errorf("the charger ends with %v", err)
		}
		t.Log(said.String())
	}()

	write := func(p *actions.Point, v actions.Value) {
		t.Helper()
		if err := l.Write(t.Context(), p, v); err != nil {
			t.Errorf("%s = %s: %v", p.Ref, v, err)
		}
	}
	reads(t, l, plugged, actions.Named("yes"))
	reads(t, l, charging, actions.Named("off"))
	reads(t, l, current, actions.Number(32)) // no limit
	reads(t, l, energy, actions.Number(12.345))
	write(current, actions.Number(16))
	reads(t, l, current, actions.Number(16))
	write(charging, actions.Named("on"))
	reads(t, l, charging, actions.Named("on"))
	write(current, actions.Number(14))
	reads(t, l, current, actions.Number(14))

	until := time.Now().Add(3 * time.Second)
	if err := l.(link.Lender).Lend(t.Context(), current, actions.Number(7.25), link.Term{For: time.Until(until), Until: until}); err != nil {
		t.Error(err)
	}
	reads(t, l, current, actions.Number(7.2))
	reads(t, l, current, actions.Number(14)) // nobody took it back
	if early := time.Until(until); early > time.Second {
		t.Errorf("the limit ended %v early", early)
	}
	reads(t, l, power, actions.Number(14*230))

	write(current, actions.Number(32))
	reads(t, l, current, actions.Number(32))
	write(charging, actions.Named("off"))
	reads(t, l, charging, actions.Named("off"))
	_, _ = io.WriteString(tell, "unplug\n")
	reads(t, l, plugged, actions.Named("no"))
	failed(t, l.Write(t.Context(), charging, actions.Named("on")), link.Refused, "Rejected")
}
