package config

import (
	"fmt"
	"strings"
)

// example returns a spillway.toml that shows every key there is, with what it does. It is made of the table of keys. Only
// what must be given counts in it; every other key is a comment that can be taken up by deleting the sign before it.
func example() []byte {
	var b strings.Builder
	b.WriteString("# Every key that spillway.toml can have. Lines that begin with #name = are off; what they show is an example, and\n" +
		"# what counts while they are off stands behind them. Each can also be set from the environment: SPILLWAY_ and the\n" +
		"# path, with two underscores between levels, such as SPILLWAY_SUPPLY__LIMIT.\n")
	all := keys()
	for _, c := range chapters() {
		c.write(&b, all)
	}
	return []byte(b.String())
}

// A chapter of the example is one table.
type chapter struct {
	header  string // "" for the top of the file
	pattern string // path of the table in the table of keys
	what    string // protocol or kind whose keys are shown; "" for all
	about   string
	given   string            // "key = value" lines that count
	instead map[string]string // examples that fit here better; "" leaves the key out
	off     bool              // the table itself is a comment
}

func (c chapter) write(b *strings.Builder, all []key) {
	fmt.Fprintln(b)
	if c.about != "" {
		fmt.Fprintf(b, "# %s\n", c.about)
	}
	if c.header != "" {
		fmt.Fprintf(b, "%s[%s]\n", map[bool]string{true: "#"}[c.off], c.header)
	}
	given := map[string]string{}
	for line := range strings.SplitSeq(c.given, "\n") {
		if name, value, ok := strings.Cut(line, " = "); ok {
			given[name] = value
		}
	}
	for i := range all {
		name, ok := c.shows(&all[i])
		if !ok {
			continue
		}
		if value, ok := given[name]; ok {
			fmt.Fprintf(b, "%s = %s # %s\n", name, value, all[i].doc)
			continue
		}
		sample := all[i].sample()
		if better, ok := c.instead[name]; ok {
			sample = better
		}
		if sample != "" {
			fmt.Fprintf(b, "#%s = %s # %s%s%s\n", name, sample, all[i].doc, otherwise(&all[i], sample), notYetNote(&all[i]))
		}
	}
}

// otherwise says what counts while a key is off.
func otherwise(k *key, sample string) string {
	if k.def == "" || k.def == sample {
		return ""
	}
	return " (" + k.def + ")"
}

// notYetNote says of a key whose work is not built that it is not.
func notYetNote(k *key) string {
	if what := notYet()[k.path]; what != "" {
		return "; " + what
	}
	return ""
}

// shows returns the key's name in the chapter, and whether it belongs there.
func (c chapter) shows(k *key) (name string, ok bool) {
	name = k.path
	if c.pattern != "" {
		if name, ok = strings.CutPrefix(k.path, c.pattern+"."); !ok {
			return "", false
		}
	}
	first, _, deeper := strings.Cut(name, ".")
	if deeper && first != "match" && first != "hygiene" && first != "same_day" && first != "column" {
		return "", false
	}
	return name, k.doc != "" && !k.secret && !strings.Contains(name, "*") && k.belongs(c.what)
}

func chapters() []chapter {
	var all []chapter
	for _, part := range [][]chapter{premisesChapters(), linkChapters(), deviceChapters(), addressChapters(), procedureChapters()} {
		all = append(all, part...)
	}
	return all
}

func premisesChapters() []chapter {
	return []chapter{
		{},
		{header: "supply", pattern: "supply"},
		{header: "feeds.house", pattern: "feeds.*", given: `url = "webcal://calendar.example/house.ics"`},
	}
}

func linkChapters() []chapter {
	link := func(name, protocol, url, about string) chapter {
		return chapter{header: "links." + name, pattern: "links.*", what: protocol, about: about, given: `url = "` + url + `"`,
			instead: map[string]string{"spacing": `"15s"`}}
	}
	return []chapter{
		link("barn", "mqtt", "mqtts://127.0.0.1:8883", "MQTT: mqtt:// or mqtts://."),
		link("boiler_house", "http", "https://127.0.0.1:8090/", "HTTP: http:// or https://."),
		link("inverter", "modbus", "modbus://127.0.0.1:502/1", "Modbus: the last part is the unit; modbus+rtu:///dev/ttyUSB0/1 for a serial line."),
		link("yard", "ocpp", "ocpp://127.0.0.1:8887/YARD", "OCPP: where Spillway listens for the charger, and the name that it shows."),
		link("shed", "exec", "exec:", "A command."),
	}
}

func deviceChapters() []chapter {
	device := func(name, link, kind string, instead map[string]string) chapter {
		return chapter{header: "devices." + name, pattern: "devices.*", what: kind, instead: instead,
			given: fmt.Sprintf("link = %q\nkind = %q", link, kind)}
	}
	point := func(name, about, given string, instead map[string]string) chapter {
		return chapter{header: "devices." + name, pattern: "devices.*.points.*", about: about, given: given, instead: instead}
	}
	none := map[string]string{"write": "", "values": "", "range": "", "normal": "", "draws": "", "open": "", "lasts": "", "tolerance": ""}
	return []chapter{
		device("barn_battery", "barn", "battery", nil),
		point("barn_battery.points.charge_power", "A point that takes a number.",
			"write = \"barn/battery/charge_power/set\"\nread = \"barn/battery/charge_power\"\nunit = \"W\"",
			map[string]string{"values": "", "draws": "false"}),
		point("barn_battery.points.mode", "A point that takes names.",
			"write = \"barn/battery/mode/set\"\nread = \"barn/battery/mode\"\nvalues = [\"own_use\", \"charge\", \"idle\"]",
			map[string]string{"unit": "", "range": "", "normal": `"own_use"`, "tolerance": "0", "draws": `{ charge = "5 kW" }`}),
		point("barn_battery.points.charge_level", "", "read = \"barn/battery/level\"\nunit = \"%\"", none),
		device("cylinder", "boiler_house", "tank", map[string]string{
			"power": `"1.1 kW"`, "level": `"temperature"`, "target": `"55 °C"`, "reserve": `"45 °C"`}),
		point("cylinder.points.temperature", "", "read = { path = \"cylinder\", pick = \"$.temperature_c\" }\nunit = \"°C\"", none),
		device("van", "yard", "vehicle", map[string]string{"capacity": `"52 kWh"`, "power": `"7.4 kW"`, "level": ""}),
		device("ice_bank", "shed", "load", map[string]string{"power": `"2.2 kW"`}),
		device("house_battery", "inverter", "battery", map[string]string{"level": ""}),
		point("house_battery.points.import", "", "read = { input = 40, type = \"int32\" }\nunit = \"W\"", none),
	}
}

// addressChapters show the long form of addresses, a protocol each.
func addressChapters() []chapter {
	address := func(point, way, protocol, given string, instead map[string]string) chapter {
		return chapter{header: "devices." + point + "." + way, pattern: "devices.*.points.*." + way, what: protocol, given: given, instead: instead}
	}
	number := map[string]string{"input": "", "coil": "", "discrete": "", "bit": "", "length": "", "model": "", "name": "", "nth": ""}
	point := func(name, about, given string) chapter {
		return chapter{header: "devices." + name, pattern: "devices.*.points.*", about: about, given: given, instead: map[string]string{
			"write": "", "read": "", "values": "", "unit": "", "range": "", "normal": "", "tolerance": "", "draws": "", "protects": "",
			"open": "", "lasts": ""}}
	}
	return []chapter{
		point("barn_battery.points.discharge_power", "Addresses in their long form: MQTT.", "unit = \"W\""),
		address("barn_battery.points.discharge_power", "write", "mqtt", `topic = "barn/battery/discharge_power/set"`, map[string]string{"body": `'{"w": {value}}'`}),
		address("barn_battery.points.discharge_power", "read", "mqtt", `topic = "barn/battery/discharge_power"`, map[string]string{"pick": `"$.w"`}),
		point("cylinder.points.boost", "HTTP.", "values = { on = true, off = false }"),
		address("cylinder.points.boost", "write", "http", `path = "cylinder/boost"`, nil),
		address("cylinder.points.boost", "read", "http", `path = "cylinder"`, map[string]string{"method": `"POST"`}),
		point("ice_bank.points.freeze", "A command.", "values = [\"on\", \"off\"]"),
		address("ice_bank.points.freeze", "write", "exec", `args = ["ice", "--set={value}"]`, nil),
		address("ice_bank.points.freeze", "read", "exec", `args = ["ice", "--get"]`, map[string]string{"pick": `"$.freeze"`}),
		point("house_battery.points.charge_power", "Modbus; in place of holding also input, coil or discrete, and for SunSpec model and name.", "unit = \"W\""),
		address("house_battery.points.charge_power", "write", "modbus", "holding = 21\ntype = \"int32\"\nlasts = \"1h\"", number),
		address("house_battery.points.charge_power", "read", "modbus", "holding = 21\ntype = \"int32\"", number),
		point("house_battery.points.charge_limit", "", "unit = \"%\""),
		address("house_battery.points.charge_limit", "read", "modbus", "model = 124\nname = \"WChaMax\"", map[string]string{"holding": "", "input": "",
			"coil": "", "discrete": "", "bit": "", "length": "", "type": "", "words": ""}),
	}
}

func procedureChapters() []chapter {
	return []chapter{
		{header: "procedures.surplus", pattern: "procedures.*", given: "match.title = \"free power\"\ndirection = \"turn-up\""},
		{header: "procedures.surplus.settlement", pattern: "procedures.*.settlement"},
		{header: "meter", pattern: "meter"},
		{header: "publish", pattern: "publish"},
		{header: "tell.hook", pattern: "tell.*", what: "webhook", off: true, about: "A webhook.",
			instead: map[string]string{"user": "", "password_file": ""}},
		{header: "tell.mail", pattern: "tell.*", what: "mail", off: true, about: "Mail.", instead: map[string]string{"url": `"smtps://mail.example"`}},
		{header: "tell.broker", pattern: "tell.*", what: "mqtt", off: true, about: "MQTT, on a link; or with a url of its own.", instead: map[string]string{
			"url": "", "user": "", "password_file": "", "ca_file": ""}},
	}
}
