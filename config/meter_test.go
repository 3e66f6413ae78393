package config

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"spillway/actions"
)

const meterPremises = `
timezone = "Europe/London"
[supply]
limit = "60 A"
[links.barn]
url = "mqtt://127.0.0.1:1883"
[devices.meter]
link  = "barn"
kind  = "load"
power = "1 kW"
[devices.meter.points.import]
read = "barn/import"
unit = "W"
[devices.meter.points.register]
read = "barn/register"
unit = "kWh"
[devices.meter.points.frequency]
read = "barn/frequency"
unit = "Hz"
[devices.meter.points.relay]
write  = "barn/relay/set"
values = ["on", "off"]
normal = "off"
`

// Every key of how meter data is laid out arrives, and the point with it.
func TestMeterKeys(t *testing.T) {
	c := mustLoad(t, meterPremises+`
[meter]
files     = ["meter/*.csv"]
zone      = "Europe/London"
stamp     = "end"
column    = { time = "from", end = 2, energy = "used" }
unit      = "Wh"
interval  = "15m"
decimal   = ","
separator = ";"
dates     = "dmy"
register  = true
net       = true
point     = "meter.register"
`)
	m := c.Meter
	got := []any{m.Zone.String(), m.Stamp, m.Columns, m.Unit, m.Interval, m.Decimal, m.Separator, m.Dates, m.Register, m.Net, *m.Point}
	want := []any{"Europe/London", "end", map[string]string{"time": "from", "end": "2", "energy": "used"}, "Wh", 15 * time.Minute,
		",", ";", "dmy", true, true, actions.Ref{Device: "meter", Point: "register"}}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	if len(m.Files) != 1 || !strings.HasSuffix(m.Files[0], "/meter/*.csv") {
		t.Errorf("files are %v, which are not below the configuration's folder", m.Files)
	}
	if c := mustLoad(t, meterPremises); c.Meter.Point != nil || c.Meter.Net || c.Meter.Zone != time.UTC {
		t.Errorf("without a [meter]: %+v", c.Meter)
	}
}

func TestMeterPoint(t *testing.T) {
	for _, c := range []struct{ name, lines, want string }{
		{"no such point", `point = "meter.imports"`, `meter.point = "meter.imports": there is no point meter.imports; did you mean import?`},
		{"no point", `point = "import"`, `meter.point = "import": "import" is no point: write device.point`},
		{"cannot be read", `point = "meter.relay"`, `meter.point = "meter.relay": cannot be read: meter.relay has no read`},
		{"no energy", `point = "meter.frequency"`, `meter.point = "meter.frequency": shows no energy and no power: the unit of meter.frequency is to be Wh, kWh, W or kW`},
		{"interval", "point = \"meter.import\"\ninterval = \"7m\"", `meter.interval = "7m": does not divide the hour into whole minutes, as recorded intervals must`},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := faults(t, meterPremises+"[meter]\n"+c.lines+"\n")
			if len(got) != 1 || !strings.HasSuffix(got[0], c.want) {
				t.Errorf("got  %q\nwant %q", got, c.want)
			}
		})
	}
}
