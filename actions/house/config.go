package house

import (
	"path/filepath"
	"strconv"
	"strings"
	"text/template"
)

// ConfigOptions say which configuration is wanted.
type ConfigOptions struct {
	State  string // folder of the journal; "" leaves the key out
	Listen string // where the plan is published; "" is a free loopback port
	Auto   bool   // leave the van's current in the surplus to the planner
}

// Config returns a whole spillway.toml for this house, with the addresses it has now. The meter file it names is
// state/meter.csv; [House.MeterCSV] is what belongs there.
func (h *House) Config(state string) string {
	return ConfigText(h.Addresses(), ConfigOptions{State: state})
}

// ConfigWith is Config with more choice.
func (h *House) ConfigWith(o ConfigOptions) string { return ConfigText(h.Addresses(), o) }

// ConfigText returns a whole spillway.toml for premises at the given addresses.
func ConfigText(at Addresses, o ConfigOptions) string {
	if o.Listen == "" {
		o.Listen = "127.0.0.1:0"
	}
	var b strings.Builder
	t := template.Must(template.New("spillway.toml").Funcs(template.FuncMap{"q": strconv.Quote}).Parse(configTemplate))
	// A strings.Builder takes everything, and the template only names fields that are there: a test runs it.
	_ = t.Execute(&b, struct {
		Addresses
		ConfigOptions
		Meter string
		Zone  string
	}{at, o, filepath.Join(o.State, "meter.csv"), Zone})
	return b.String()
}

// Whole commands over MQTT ask for QoS 1: what is acknowledged has reached the gateway, so spacing counted from the end
// of a send is spacing at the gateway, however fast the clock runs.
const configTemplate = `# Quillmere, Nether Sallow: a barn, a house and a cold store behind one service fuse.
timezone = {{q .Zone}}
{{- if .State}}
state    = {{q .State}}
{{- end}}
margin   = "30s"
horizon  = "2d"

[supply]
limit       = "60 A"
voltage     = "230 V"
phases      = 1
other_loads = "0.8 kW"

[feeds.quillmere]
url  = {{q .Calendar}}
poll = "2m"

[links.barn]                        # the gateway in the barn
url     = {{q .Broker}}
spacing = "15s"
timeout = "20s"
confirm = "15s"

[links.house]                       # the gateway in the house
url     = {{q .Broker}}
spacing = "15s"
timeout = "20s"
confirm = "15s"

[links.boiler_house]
url     = {{q .Boiler}}
timeout = "20s"

[links.yard]
url     = {{q .Yard}}
timeout = "20s"

[devices.barn_battery]
link       = "barn"
kind       = "battery"
capacity   = "13.5 kWh"
power      = "5 kW"
efficiency = 0.95
floor      = 10
level      = "charge_level"
[devices.barn_battery.points.mode]
write  = { topic = "barn/battery/mode/set", qos = 1 }
read   = "barn/battery/mode"
values = ["own_use", "charge", "idle"]
[devices.barn_battery.points.charge_power]
write = { topic = "barn/battery/charge_power/set", qos = 1 }
read  = "barn/battery/charge_power"
unit  = "W"
range = [0, 5000]
[devices.barn_battery.points.charge_limit]
write = { topic = "barn/battery/charge_limit/set", qos = 1 }
read  = "barn/battery/charge_limit"
unit  = "%"
range = [30, 100]
[devices.barn_battery.points.charge_level]
read = "barn/battery/level"
unit = "%"

[devices.house_battery]
link       = "house"
kind       = "battery"
capacity   = "9.6 kWh"
power      = "3.6 kW"
efficiency = 0.94
floor      = 10
target     = 95
level      = "charge_level"
[devices.house_battery.points.mode]
write  = { topic = "house/battery/mode/set", qos = 1 }
read   = "house/battery/mode"
values = ["own_use", "charge", "idle"]
[devices.house_battery.points.charge_power]
write = { topic = "house/battery/charge_power/set", qos = 1 }
read  = "house/battery/charge_power"
unit  = "W"
range = [0, 3600]
[devices.house_battery.points.charge_limit]
write = { topic = "house/battery/charge_limit/set", qos = 1 }
read  = "house/battery/charge_limit"
unit  = "%"
range = [30, 100]
[devices.house_battery.points.charge_level]
read = "house/battery/level"
unit = "%"

[devices.ice_bank]                  # stores cold for the cold store
link  = "barn"
kind  = "load"
power = "2.2 kW"
[devices.ice_bank.points.mode]
write  = { topic = "barn/ice/mode/set", qos = 1 }
read   = "barn/ice/mode"
values = ["own", "freeze", "rest"]
draws  = { freeze = "2.2 kW" }
[devices.ice_bank.points.ice]
read = "barn/ice/level"
unit = "%"

[devices.cylinder]                  # hot water, on the heat pump
link   = "boiler_house"
kind   = "tank"
volume = "210 L"
target = "55 °C"
power  = "1.1 kW"
cop    = 2.6
level  = "temperature"
[devices.cylinder.points.boost]     # ends by itself after 20 to 25 minutes
write  = { method = "PUT", path = "cylinder/boost", body = '{"on": {value}}' }
read   = { path = "cylinder", pick = "$.boost" }
values = { on = true, off = false }
normal = "off"
[devices.cylinder.points.heating]
write  = { method = "PUT", path = "cylinder/heating", body = '{"setting": "{value}"}' }
read   = { path = "cylinder", pick = "$.heating" }
values = ["programme", "standby"]
[devices.cylinder.points.temperature]
read = { path = "cylinder", pick = "$.temperature_c" }
unit = "°C"

[devices.van]
link          = "yard"
kind          = "vehicle"
power         = "7.36 kW"
need          = "need"
current_range = ["6 A", "32 A"]
[devices.van.points.control]        # the charger takes a current only in remote control
write  = { method = "PUT", path = "charger/control", body = '{"control": "{value}"}' }
read   = { path = "charger", pick = "$.control" }
values = ["local", "remote"]
[devices.van.points.current]
write = { method = "PUT", path = "charger/current", body = '{"current_a": {value}}' }
read  = { path = "charger", pick = "$.current_a" }
unit  = "A"
range = [0, 32]
[devices.van.points.plugged]
read   = { path = "charger", pick = "$.plugged" }
values = { yes = true, no = false }
[devices.van.points.need]
read = { path = "charger", pick = "$.need_kwh" }
unit = "kWh"

[procedures.night_rate]
match   = { category = "night-rate" }
rank    = 5
lead_in = [
  "van.control = remote",
  "house_battery.charge_limit = 95 %",
  "house_battery.charge_power = 2000 W",
]
during = [
  "house_battery.mode = charge",
  "barn_battery.mode = idle",       # its energy is worth more by day
  "van.current = 16 A if van.plugged = yes",
]

# On top of the night rate: 5.0 + 2.0 + 2.2 + 1.1 kW, 10 A for the van and the household are 13.4 of the fuse's 13.8 kW.
[procedures.surplus]
match     = { title = "free power", category = "surplus" }
direction = "turn-up"
rank      = 10
lead_in = [
  "cylinder.heating = standby from -2h",   # let the cylinder cool: headroom
  "van.control = remote",
  "barn_battery.charge_limit = 100 %",
  "barn_battery.charge_power = 5000 W",
]
during = [
{{- if .Auto}}
  "barn_battery.mode = charge",
  "cylinder.boost = on for 25m",
  "ice_bank.mode = freeze",
  "van.current = auto if van.plugged = yes",
{{- else}}
  "van.current = 10 A if van.plugged = yes",
  "barn_battery.mode = charge",
  "cylinder.boost = on for 25m",
  "ice_bank.mode = freeze",
{{- end}}
]

[procedures.surplus.settlement]
since        = 2026-01-01
days         = 10
days_off     = 4
like         = "workday"
rate         = "0.19 GBP/kWh"
credit_after = "7d"

{{if .State -}}
[meter]
files = [{{q .Meter}}]

{{end -}}
[publish]
listen = {{q .Listen}}
`
