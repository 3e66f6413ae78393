package config

import (
	"slices"
	"strings"
	"testing"
)

// Each row is a configuration and the findings that it is to have, as "level where: what; cure", in part.
func TestCheck(t *testing.T) {
	const ground = `
timezone = "Europe/London"
[supply]
limit = "60 A"
other_loads = "0.8 kW"
[feeds.house]
url = "https://calendar.example/a.ics"
[links.barn]
url = "mqtt://127.0.0.1:1883"
spacing = "15s"
[devices.battery]
link = "barn"
kind = "battery"
power = "5 kW"
capacity = "13.5 kWh"
level = "level"
[devices.battery.points.power]
write = "b/power/set"
read  = "b/power"
unit  = "W"
range = [0, 5000]
[devices.battery.points.level]
read = "b/level"
unit = "%"
`
	const call = "[procedures.surplus]\nmatch = { title = \"free power\" }\n"
	tests := []struct {
		name, text string
		want       []string
	}{
		{"fits", call + "during = [\"battery.power = 5 kW\"]", []string{
			"ok supply: 13.8 kW per phase, of which other loads take 0.8 kW",
			"ok procedures.surplus: draws 5.8 kW at worst, of a limit of 13.8 kW",
			"ok devices.battery.points.power: held by surplus; its normal is read before the first hold",
			"ok links.barn: mqtt, for battery",
			"ok feeds.house: polled every 5m; whoever can write to this calendar can call every procedure"}},
		{"above the limit", "[devices.oven]\nlink = \"barn\"\nkind = \"load\"\npower = \"10 kW\"\n[devices.oven.points.heat]\nwrite = \"o/set\"\nread = \"o\"\n" +
			"values = [\"on\", \"off\"]\n" + call + "during = [\"battery.power = 5 kW\", \"oven.heat = on\"]", []string{
			"fault procedures.surplus: draws 15.8 kW at worst, 2 kW above the limit of 13.8 kW; lower a value, or write auto"}},
		{"auto shares", call + "during = [\"battery.power = auto\"]", []string{
			"ok procedures.surplus: draws 0.8 kW at worst, of a limit of 13.8 kW; auto shares at least 13 kW"}},
		{"hygiene of what holds no water", "[devices.oven]\nlink = \"barn\"\nkind = \"load\"\nhygiene = { reach = \"60 °C\", every = \"7d\" }\n" +
			"[devices.oven.points.heat]\nread = \"o\"\n" + call + "during = [\"battery.power = 5 kW\"]", []string{
			"note devices.oven.hygiene: means nothing for a load: it belongs to tank"}},
		{"lead-in", call + "lead_in = [\"battery.power = 1 kW wait 20s\"]\nduring = [\"battery.power = 5 kW\"]", []string{
			"ok procedures.surplus.lead_in: 1 command on barn, from 50s before the window",
			"ok procedures.surplus.lead_in: an event must stand in the calendar 5m50s before it begins"}},
		{"a guard that never holds", call + "during = [\"battery.power = 1 kW if battery.level > 100 %\"]", []string{
			`fault procedures.surplus: "battery.power = 1 kW if battery.level > 100 %": the guard can never hold, battery.level reads 0 to 100; mend the guard`}},
		{"a guard on a range", call + "during = [\"battery.power = 1 kW if battery.power < 0 W\"]", []string{"fault procedures.surplus: "}},
		{"a value that ends by itself", "[devices.battery.points.boost]\nwrite = \"x/set\"\nread = \"x\"\nvalues = [\"on\", \"off\"]\nlasts = \"25m\"\n" +
			call + "during = [\"battery.boost = on\"]", []string{
			`note devices.battery.points.boost: held by surplus; its value ends by itself, so what is read before the first hold may be no normal; write normal = "off"`}},
		{"a value that is lent", "[devices.battery.points.boost]\nwrite = { topic = \"x/set\", lasts = \"25m\" }\nread = \"x\"\nvalues = [\"on\", \"off\"]\n" +
			call + "during = [\"battery.boost = on\"]", []string{
			`note devices.battery.points.boost: held by surplus; its value ends by itself, so what is read before the first hold may be no normal; write normal = "off"`}},
		{"a charger's limit", "[links.yard]\nurl = \"ocpp://127.0.0.1:8887/YARD\"\n[devices.van]\nlink = \"yard\"\nkind = \"vehicle\"\n" +
			"capacity = \"52 kWh\"\nneed = \"20 kWh\"\ncurrent_range = [\"6 A\", \"16 A\"]\n" + call + "during = [\"van.current = auto\"]", []string{
			"ok procedures.surplus: draws 0.8 kW at worst, of a limit of 13.8 kW; auto shares at least 13 kW",
			"ok devices.van.points.current: held by surplus; its normal is read before the first hold"}},
		{"a boost", "[devices.tank]\nlink = \"barn\"\nkind = \"tank\"\ntarget = \"60 °C\"\n[devices.tank.points.boost]\nwrite = \"x/set\"\nread = \"x\"\n" +
			"values = [\"on\", \"off\"]\n" + call + "during = [\"tank.boost = on\"]", []string{
			"note devices.tank.points.boost: held by surplus; its value ends by itself",
			"note devices.tank: figures are missing: where the sums need them it is left out of them; write volume, level, power",
			"note devices.tank.target: water of 60 °C scalds within seconds at the tap"}},
		{"a cap", "[devices.battery.points.cap]\nwrite = \"x/set\"\nread = \"x\"\nunit = \"W\"\ndraws = false\n" + call + "during = [\"battery.cap = 1 kW\"]", []string{
			"note devices.battery.points.cap: held by surplus; releasing an export limit or raising a charge rate may breach a connection agreement"}},
		{"a current below the least", "[links.yard]\nurl = \"ocpp://127.0.0.1:8887/YARD\"\n[devices.van]\nlink = \"yard\"\nkind = \"vehicle\"\n" +
			call + "during = [\"van.current = 4 A\"]", []string{
			`fault procedures.surplus: "van.current = 4 A": no vehicle charges with that; write 0 A, or whole amperes from 6 A to 32 A`,
			"note devices.van: figures are missing"}},
		{"auto without a bound", "[devices.battery.points.free]\nwrite = \"x/set\"\nread = \"x\"\nunit = \"W\"\n[devices.heater]\nlink = \"barn\"\nkind = \"load\"\n" +
			"[devices.heater.points.p]\nwrite = \"h/set\"\nread = \"h\"\nunit = \"W\"\n" + call + "during = [\"heater.p = auto\"]", []string{
			`fault procedures.surplus: "heater.p = auto": nothing says how much it may draw; write range at the point or power at the device`}},
		{"auto on a mode", "[devices.battery.points.mode]\nwrite = \"x/set\"\nread = \"x\"\nvalues = [\"a\", \"b\"]\n" + call + "during = [\"battery.mode = auto\"]", []string{
			`fault procedures.surplus: "battery.mode = auto": nothing says what the point draws`}},
		{"shorter than min_on", "[devices.pump]\nlink = \"barn\"\nkind = \"load\"\npower = \"2 kW\"\nmin_on = \"20m\"\n[devices.pump.points.run]\nwrite = \"p/set\"\nread = \"p\"\n" +
			"values = [\"on\", \"off\"]\n" + call + "lead_in = [\"pump.run = off from -5m for 5m\"]\nduring = [\"pump.run = on for 12m\"]", []string{
			`fault procedures.surplus: "pump.run = on for 12m": is never begun: pump stays on for 20m at the least (min_on); hold it for longer, or shorten min_on`}},
		{"least times of a mode", "[devices.other]\nlink = \"barn\"\nkind = \"load\"\nmin_off = \"10m\"\n[devices.other.points.mode]\nwrite = \"p/set\"\nread = \"p\"\n" +
			"values = [\"a\", \"b\"]\n" + call + "during = [\"other.mode = a\"]", []string{
			"note devices.other: its least times do nothing: nothing says what its points draw; write power at the device, or draws at the point"}},
		{"strangers", "[links.open]\nurl = \"mqtt://10.1.2.3\"\n[links.plc]\nurl = \"modbus://10.1.2.3:502/1\"\n" +
			"[devices.a]\nlink = \"open\"\nkind = \"load\"\n[devices.b]\nlink = \"plc\"\nkind = \"load\"\n", []string{
			"note links.open: whoever reaches 10.1.2.3 could move a; write user and password_file, and the url with mqtts",
			"note links.plc: whoever reaches 10.1.2.3:502, since Modbus knows no password, could move b",
			"note procedures: there is no procedure, so no event is a window"}},
		{"statements of events", "[devices.battery.points.mode]\nwrite = \"x/set\"\nread = \"x\"\nvalues = [\"a\", \"b\"]\nopen = true\n[feeds.club]\n" +
			"url = \"http://calendar.example/b.ics\"\nstatements = true\n", []string{
			"note feeds.club: whoever can write to this calendar can set battery.mode",
			"note feeds.club.url: the calendar comes without TLS"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			var got []string
			for _, f := range mustLoad(t, ground+tt.text).Check() {
				got = append(got, string(f.Level)+" "+f.Where+": "+f.What+"; "+f.Cure)
			}
			for _, want := range tt.want {
				if !slices.ContainsFunc(got, func(s string) bool { return strings.HasPrefix(s, want) }) {
					t.Errorf("missing: %s\n in: %s", want, strings.Join(got, "\n     "))
				}
			}
			faults := func(all []string) (n int) {
				for _, s := range all {
					if strings.HasPrefix(s, "fault") {
						n++
					}
				}
				return n
			}
			if faults(got) != faults(tt.want) {
				t.Errorf("%d faults, want %d: %s", faults(got), faults(tt.want), strings.Join(got, "\n"))
			}
		})
	}
}

// What needs saying of the supply is said even where there is nothing else.
func TestCheckOfNothing(t *testing.T) {
	var got []string
	for _, f := range mustLoad(t, "").Check() {
		got = append(got, string(f.Level)+" "+f.Where+": "+f.What)
	}
	for _, want := range []string{
		"note supply.limit: is not given: nothing keeps the plan below the service fuse",
		"note timezone: is not given: UTC counts for floating and all-day events",
		"note feeds: there is no feed, so there will be no windows",
	} {
		if !slices.Contains(got, want) {
			t.Errorf("missing %q in %q", want, got)
		}
	}
	if got := mustLoad(t, "[supply]\nlimit = \"10 A\"\nother_loads = \"3 kW\"\n").Check(); !slices.ContainsFunc(got, func(f Finding) bool { return f.Level == Amiss }) {
		t.Errorf("other loads above the limit: %v", got)
	}
}
