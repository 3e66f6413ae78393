package config

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"spillway/actions"
)

// ground is what the variables of the tests below lie over.
const ground = `
[supply]
limit = "60 A"
[links.barn]
url = "mqtt://127.0.0.1:1883"
spacing = "15s"
[devices.battery]
link = "barn"
kind = "battery"
[devices.battery.points.power]
write = "b/power/set"
read  = { topic = "b/power", pick = "$.w" }
unit  = "W"
range = [0, 5000]
[devices.battery.points.mode]
write  = "b/mode/set"
read   = "b/mode"
values = ["charge", "idle"]
[procedures.surplus]
match  = { title = "free power" }
direction = "turn-up"
during = ["battery.mode = charge"]
`

// Every key can be set from the environment: SPILLWAY_ and the path, two underscores between levels (DESIGN section 3).
func TestEnvironmentBeatsTheFile(t *testing.T) {
	c := mustLoad(t, ground,
		"PATH=/bin", "SPILLWAY_CI=1", "SPILLWAY_TEST_X=y", "SPILLWAY_MARGIN=",
		"SPILLWAY_TIMEZONE=Europe/London",
		"SPILLWAY_SUPPLY__LIMIT=80 A",
		"SPILLWAY_SUPPLY__PHASES=3",
		"SPILLWAY_LINKS__BARN__SPACING=20s",
		"SPILLWAY_LINKS__BARN__TRIES=5",
		"SPILLWAY_LINKS__BARN__USER=ada",
		"SPILLWAY_LINKS__BARN__PASSWORD=hunter2",
		"SPILLWAY_LINKS__HOUSE__URL=http://127.0.0.1:8090/",
		`SPILLWAY_LINKS__HOUSE__HEADERS={ "X-Site" = "barn" }`,
		"SPILLWAY_DEVICES__BATTERY__ENABLED=false",
		"SPILLWAY_DEVICES__BATTERY__FLOOR=12.5",
		"SPILLWAY_DEVICES__BATTERY__PHASE=2",
		"SPILLWAY_DEVICES__BATTERY__POINTS__POWER__RANGE=[0, 4000]",
		"SPILLWAY_DEVICES__BATTERY__POINTS__POWER__NORMAL=0",
		"SPILLWAY_DEVICES__BATTERY__POINTS__POWER__DRAWS=false",
		`SPILLWAY_DEVICES__BATTERY__POINTS__POWER__WRITE={ topic = "b/p/set", qos = 0 }`,
		"SPILLWAY_DEVICES__BATTERY__POINTS__POWER__READ__PICK=$.watts",
		"SPILLWAY_DEVICES__BATTERY__POINTS__MODE__READ=b/other",
		`SPILLWAY_DEVICES__BATTERY__POINTS__MODE__VALUES={ charge = 1, idle = 0 }`,
		`SPILLWAY_PROCEDURES__SURPLUS__DURING=["battery.mode = idle", "battery.power = 1 kW"]`,
		"SPILLWAY_PROCEDURES__SURPLUS__MATCH__CATEGORY=surplus",
		"SPILLWAY_PROCEDURES__SURPLUS__RANK=-3",
		"SPILLWAY_PROCEDURES__SURPLUS__SETTLEMENT__RATE=0.2 GBP/kWh",
		"SPILLWAY_PROCEDURES__SURPLUS__SETTLEMENT__SINCE=2026-03-01",
		`SPILLWAY_METER={ stamp = "end", column = { energy = 2 } }`,
		"SPILLWAY_METER__COLUMN__ENERGY=3",
	)
	p := &c.Premises
	barn, house, d := p.Link("barn"), p.Link("house"), p.Device("battery")
	power, mode := d.Point("power"), d.Point("mode")
	q := p.Procedure("surplus")
	got := []any{
		p.Supply.LimitW, p.Supply.Phases, barn.Spacing, barn.Tries, string(barn.Password), house.URL, house.Headers["X-Site"], d.Enabled,
		d.FloorPercent, d.Phase, power.Max, power.Normal, power.Draws.None, power.Write.Topic, power.Write.QoS, power.Read.Topic,
		power.Read.Pick, mode.Read.Topic, mode.Value("charge").Wire, len(q.During), q.Match.Title, q.Match.Category, q.Rank, q.Terms[0].Rate,
		q.Terms[0].Since.Format(time.DateOnly), c.Meter.Columns["energy"], c.Meter.Stamp, p.Margin,
	}
	want := []any{
		18400.0, 3, 20 * time.Second, 5, "hunter2", "http://127.0.0.1:8090/", "barn", false,
		12.5, 2, 4000.0, actions.Number(0), true, "b/p/set", byte(0), "b/power",
		"$.watts", "b/other", int64(1), 2, "free power", "surplus", -3, "0.2",
		"2026-03-01", "3", "end", 30 * time.Second,
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestEnvironmentFaultsNameTheVariable(t *testing.T) {
	tests := map[string][]string{
		"SPILLWAY_SUPPLY__LIMIT=80":                {`SPILLWAY_SUPPLY__LIMIT: supply.limit = "80": a bare number needs its unit: write for instance limit = "80 A"`},
		"SPILLWAY_SUPPLY__LIMITT=80 A":             {`SPILLWAY_SUPPLY__LIMITT: supply.limitt: there is no such key; did you mean limit?`},
		"SPILLWAY_SUPPLY_LIMIT=80 A":               {`SPILLWAY_SUPPLY_LIMIT: is no key: two underscores separate levels; did you mean SPILLWAY_SUPPLY__LIMIT?`},
		"SPILLWAY_TIMZONE=UTC":                     {`SPILLWAY_TIMZONE: is no key; did you mean SPILLWAY_TIMEZONE?`},
		"SPILLWAY_SUPPLY=60 A":                     {`SPILLWAY_SUPPLY: supply = "60 A": is a list or a table: write it as TOML, such as { limit = "60 A" }`},
		"SPILLWAY_SUPPLY={ limit = 60 A }":         {`SPILLWAY_SUPPLY: supply = "{ limit = 60 A }": is no TOML value; write such as { limit = "60 A" }`},
		`SPILLWAY_SUPPLY={ limits = "60 A" }`:      {`SPILLWAY_SUPPLY: supply.limits: there is no such key; did you mean limit?`},
		"SPILLWAY_SUPPLY__PHASES=three":            {`SPILLWAY_SUPPLY__PHASES: supply.phases = "three": is to be a bare number: write for instance phases = 1`},
		"SPILLWAY_DEVICES__BATTERY__ENABLED=ja":    {`SPILLWAY_DEVICES__BATTERY__ENABLED: devices.battery.enabled = "ja": is true or false, without quotes`},
		"SPILLWAY_LINKS__BARN__SPACING=15":         {`SPILLWAY_LINKS__BARN__SPACING: links.barn.spacing = "15": a bare number needs its unit: write for instance spacing = "15s"`},
		"SPILLWAY_LINKS__2__URL=x":                 {`SPILLWAY_LINKS__2__URL: links.2: "2" is no name: names are lower case with underscores; lower case letters, digits and single underscores, a letter first`},
		"SPILLWAY_LINKS__BARN__TOKEN=hunter2":      {`SPILLWAY_LINKS__BARN__TOKEN: links.barn.token: is no key of mqtt links: it belongs to http`},
		"SPILLWAY_PROCEDURES__SURPLUS__DURING=a=b": {`SPILLWAY_PROCEDURES__SURPLUS__DURING: procedures.surplus.during = "a=b": is a list or a table: write it as TOML, such as ["barn_battery.mode = charge"]`},
		`SPILLWAY_PROCEDURES__SURPLUS__DURING=["battery.mode = on"]`: {
			`SPILLWAY_PROCEDURES__SURPLUS__DURING: procedures.surplus.during = "battery.mode = on": column 16: "on" is no value of battery.mode: charge, idle`},
		"SPILLWAY_FEEDS__HOUSE__POLL=5m": {`SPILLWAY_FEEDS__HOUSE__POLL: feeds.house.url: is missing: write for instance url = "webcal://calendar.example/house.ics"`},
		"SPILLWAY_TELL__ADA__URL=a.example": {
			`SPILLWAY_TELL__ADA__URL: tell.ada.url = "a.example": is neither a webhook (http, https) nor a mail server (smtp, smtps) nor a broker (mqtt, mqtts)`},
	}
	for variable, want := range tests {
		t.Run(variable, func(t *testing.T) {
			if d := cmp.Diff(want, faults(t, ground, variable)); d != "" {
				t.Error(d)
			}
		})
	}
}

// Faults of the file stand first, in its order, and those of the environment last.
func TestFaultsInOrder(t *testing.T) {
	got := faults(t, "margin = 1\nhorizon = 2\n[supply]\nlimit = 3\n", "SPILLWAY_READINESS=4", "SPILLWAY_MARGIN=5")
	want := []string{
		`spillway.toml:2: horizon = 2: a bare number needs its unit: write for instance horizon = "2d"`,
		`spillway.toml:4: supply.limit = 3: a bare number needs its unit: write for instance limit = "3 A"`,
		`SPILLWAY_MARGIN: margin = "5": a bare number needs its unit: write for instance margin = "5s"`,
		`SPILLWAY_READINESS: readiness = "4": a bare number needs its unit: write for instance readiness = "4h"`,
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestFlagsBeatTheEnvironment(t *testing.T) {
	o := Options{File: folder + "smallholding.toml", Env: []string{"SPILLWAY_PUBLISH__LISTEN=127.0.0.1:1"}, Flags: map[string]string{"publish.listen": "127.0.0.1:0"}}
	c, err := Load(o)
	if err != nil || c.Publish.Listen != "127.0.0.1:0" {
		t.Errorf("got %v", err)
	}
	o.Flags["publish.listen"] = "x"
	want := `command line: publish.listen = "x": is no address to listen on: write for instance 127.0.0.1:8377, port 0 picking a free one`
	if _, err := Load(o); err == nil || err.Error() != want {
		t.Errorf("got  %v\nwant %s", err, want)
	}
}
