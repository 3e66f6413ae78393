package config

import (
	"strings"
	"testing"
)

// What check says of make_room: one row a case, with what is to be found at devices.NAME.make_room.
func TestCheckOfRoom(t *testing.T) {
	const ground = `
[supply]
limit = "60 A"
other_loads = "OTHERS"
[links.barn]
url = "exec:"
[devices.battery]
link = "barn"
kind = "battery"
power = "5 kW"
capacity = "10 kWh"
level = "level"
make_room = "auto"
[devices.battery.points.power]
write = ["set", "{value}"]
read  = ["get"]
unit  = "W"
range = [LEAST, 5000]
[devices.battery.points.level]
read = ["level"]
unit = "%"
[devices.tank]
link = "barn"
kind = "tank"
volume = "200 L"
target = "55 °C"
power = "3 kW"
level = "warmth"
make_room = "auto"
RESERVE
[devices.tank.points.heat]
write = ["heat", "{value}"]
read  = ["heat"]
values = ["on", "off"]
NORMAL
[devices.tank.points.warmth]
read = ["warmth"]
unit = "°C"
[procedures.surplus]
match = { title = "free power" }
direction = "DIRECTION"
during = ["battery.power = auto", "tank.heat = on"]
[procedures.surplus.settlement]
rate   = "0.245 GBP/kWh"
adjust = "add"
`
	for _, c := range []struct {
		name                                       string
		others, least, reserve, normal, directions string
		want                                       []string
	}{
		{"all there", "0.8 kW", "-3000", `reserve = "45 °C"`, `normal = "on"`, "turn-up", []string{
			"ok devices.battery.make_room: gives back before surplus, at most 0.8 kW",
			"note procedures.surplus.settlement.adjust: room made in",
			"ok devices.tank.make_room: held off before surplus, for as long as the window can heat it"}},
		{"nothing gives back", "0.8 kW", "0", "", `normal = "off"`, "turn-up", []string{
			"note devices.battery.make_room: no point lets battery give back, so that it can only be held off",
			"note devices.tank.make_room: no point of tank draws at its normal, so that there is nothing to hold off"}},
		{"no other loads, no reserve", "0 kW", "-3000", "", "", "turn-up", []string{
			"note devices.battery.make_room: nothing is exported, and no other loads are expected",
			"note devices.tank.make_room: nothing says how warm the water of tank must stay"}},
		{"no turn-up", "0.8 kW", "-3000", "", "", "turn-down", []string{
			"note devices.battery.make_room: does nothing: no turn-up procedure draws with battery",
			"note devices.tank.make_room: does nothing: no turn-up procedure draws with tank"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			text := strings.NewReplacer("OTHERS", c.others, "LEAST", c.least, "RESERVE", c.reserve, "NORMAL", c.normal, "DIRECTION", c.directions).Replace(ground)
			found := map[string]string{}
			for _, f := range mustLoad(t, text).Check() {
				found[f.Where] = string(f.Level) + " " + f.Where + ": " + f.What
			}
			for _, want := range c.want {
				where := strings.TrimSuffix(strings.Fields(want)[1], ":")
				if !strings.HasPrefix(found[where], want) {
					t.Errorf("%s: got %q, want %q", where, found[where], want)
				}
			}
		})
	}
}
