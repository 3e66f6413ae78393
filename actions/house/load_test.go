package house

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"spillway/actions"
	"spillway/config"
)

func load(t *testing.T, text string) *config.Config {
	t.Helper()
	file := filepath.Join(t.TempDir(), config.Name)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	c, err := config.Load(config.Options{File: file})
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// The figures that the configuration gives must be those of the premises, or every sum would be wrong.
func TestConfigLoadsWithTheFiguresOfThePremises(t *testing.T) {
	c := load(t, ConfigText(testAddresses(), ConfigOptions{State: t.TempDir()}))
	for _, n := range c.Notices {
		t.Logf("notice: %s: %s", n.Key, n.What)
	}
	s := newSite(t, 1)
	near(t, "limit", c.Premises.Supply.LimitW, FuseA*VoltageV, 0)
	near(t, "other loads", c.Premises.Supply.OtherLoadsW, OtherLoadsW, 0)
	for name, b := range map[string]Battery{BarnBattery: s.barn, HouseBattery: s.house} {
		d := c.Premises.Device(name)
		near(t, name+" capacity", d.CapacityWh, b.CapacityWh, 0)
		near(t, name+" power", d.PowerW, b.PowerW, 0)
		near(t, name+" efficiency", d.Efficiency, b.Efficiency, 0)
		near(t, name+" floor", d.FloorPercent, b.Floor, 0)
	}
	tank := c.Premises.Device(Cylinder)
	near(t, "volume", tank.VolumeL, s.cylinder.VolumeL, 0)
	near(t, "target", tank.Target, s.cylinder.TargetC, 0)
	near(t, "cop", tank.COP, s.cylinder.COP, 0)
	near(t, "heat pump", tank.PowerW, s.cylinder.PowerW, 0)
	near(t, "ice bank", c.Premises.Device(IceBankName).PowerW, s.ice.PowerW, 0)

	for _, l := range c.Premises.Links {
		if g := s.gateways[l.Name]; g != nil && l.Spacing < g.Spacing {
			t.Errorf("link %s keeps %v, its gateway needs %v", l.Name, l.Spacing, g.Spacing)
		}
	}
	if p := c.Premises.Point(actions.Ref{Device: Cylinder, Point: "boost"}); p.Normal != actions.Named("off") {
		t.Errorf("a boost that ends by itself has the normal %v", p.Normal)
	}
	night, surplus := c.Premises.Procedure("night_rate"), c.Premises.Procedure("surplus")
	if night.Rank != 5 || surplus.Rank != 10 || surplus.Direction != actions.TurnUp || len(surplus.Terms) != 1 {
		t.Errorf("procedures: %+v, %+v", night, surplus)
	}
	if surplus.LeadIn[0].From != -2*time.Hour {
		t.Errorf("first lead-in: %+v", surplus.LeadIn[0])
	}
}
