package config

import (
	"os"
	"regexp"
	"testing"

	"spillway/actions"
)

// The examples of the contract itself, ../shared/DESIGN.md, are accepted word for word. What its first example leaves out,
// the van and its charger, is added.
func TestExamplesOfTheContract(t *testing.T) {
	design, err := os.ReadFile("../../shared/DESIGN.md")
	if err != nil {
		if os.Getenv("SPILLWAY_CI") != "" {
			t.Fatalf("the contract is not there: %v", err)
		}
		t.Skip("../shared/DESIGN.md is not there; it is read in CI only")
	}
	blocks := regexp.MustCompile("(?s)```toml\n(.*?)```").FindAllStringSubmatch(string(design), -1)
	if len(blocks) != 2 {
		t.Fatalf("%d examples, not two", len(blocks))
	}
	const van = "[links.yard]\nurl = \"ocpp://127.0.0.1:8887/YARD\"\n[devices.van]\nlink = \"yard\"\nkind = \"vehicle\"\n"
	holidays := regexp.MustCompile(`"feed name"`).ReplaceAllString(blocks[1][1], `"house"`)
	c := mustLoad(t, blocks[0][1]+van+holidays)
	q := c.Premises.Procedure("surplus")
	if len(q.LeadIn) != 2 || len(q.During) != 3 || len(q.Terms) != 1 || q.Terms[0].Rate != "0.245" || !q.During[2].Want.Auto {
		t.Errorf("surplus: %+v", q)
	}
	if d := c.Premises.Device("cylinder"); d.VolumeL != 210 || d.COP != 2.6 || d.Target != 55 || d.Kind != actions.Tank {
		t.Errorf("cylinder: %+v", d)
	}
	if c.Meter.Columns["energy"] != "value" || c.Meter.Unit != "kWh" || c.Publish.Listen != "127.0.0.1:8377" {
		t.Errorf("meter %+v, publish %+v", c.Meter, c.Publish)
	}
}
