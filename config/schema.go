package config

import "strings"

// A form says how a key's value is written, which the environment, where all is text, must know.
type form int

const (
	text   form = iota // a string, in the environment as it stands
	number             // a bare number
	truth              // true or false
	list               // an array, in the environment as TOML
	free               // a table whose keys are free, in the environment as TOML
	either             // a string, a number, a truth value, an array or a table, as the key's own reader decides
)

// A key is one line of the table of keys: all that can be written in spillway.toml, once.
type key struct {
	path    string // with * for a name
	form    form
	def     string // default, as TOML; "" where there is none
	example string // as TOML; "" where the default serves
	doc     string
	// only names the protocols, or the kinds of device, that the key belongs to; "" all.
	only string
	// secret keys come from the environment only and are never shown.
	secret bool
}

// sample returns what the example file shows for the key.
func (k *key) sample() string {
	if k.example != "" {
		return k.example
	}
	return k.def
}

// belongs reports whether the key is one of protocol or kind what.
func (k *key) belongs(what string) bool {
	if k.only == "" {
		return true
	}
	for _, w := range strings.Fields(k.only) {
		if w == what {
			return true
		}
	}
	return false
}

// keys is the table of keys, in the order of the example file.
func keys() []key {
	var all []key
	for _, part := range [][]key{topKeys(), feedKeys(), linkKeys(), deviceKeys(), pointKeys(), writeKeys(), readKeys(), procedureKeys(),
		settlementKeys(), meterKeys(), publishKeys(), tellKeys()} {
		all = append(all, part...)
	}
	return all
}

func topKeys() []key {
	return []key{
		{path: "timezone", def: `"UTC"`, example: `"Europe/London"`, doc: "for floating and all-day events, and for what people read; an IANA name"},
		{path: "state", example: `"/var/lib/spillway"`, doc: "journal, last good feeds, publishing secret; made 0700"},
		{path: "margin", def: `"30s"`, doc: "lead-ins are confirmed this long before the window"},
		{path: "horizon", def: `"14d"`, doc: "how far ahead windows are planned and published"},
		{path: "readiness", def: `"3h"`, doc: "points are read this long before a window, so that trouble is known in time"},
		{path: "supply.limit", example: `"60 A"`, doc: "the service fuse, or the lower figure you want kept; per phase"},
		{path: "supply.voltage", def: `"230 V"`, doc: "between a phase and neutral"},
		{path: "supply.phases", form: number, def: "1", doc: "1 or 3"},
		{path: "supply.other_loads", def: `"0 W"`, example: `"0.8 kW"`,
			doc: "allowance for the rest of the premises, or \"device.point\" that reads the whole import"},
	}
}

func feedKeys() []key {
	return []key{
		{path: "feeds.*.url", example: `"webcal://calendar.example/house.ics"`, doc: "http(s), webcal(s), file, a folder, or caldav(s)"},
		{path: "feeds.*.poll", def: `"5m"`, doc: "1s at least"},
		{path: "feeds.*.user", example: `"ada"`, doc: "for a calendar behind a password"},
		{path: "feeds.*.password_file", example: `"secrets/password"`, doc: "a file that holds the password and nothing else"},
		{path: "feeds.*.password", secret: true, doc: "the password itself, from the environment only"},
		{path: "feeds.*.token_file", example: `"secrets/token"`, doc: "a file that holds a bearer token"},
		{path: "feeds.*.token", secret: true, doc: "the bearer token itself, from the environment only"},
		{path: "feeds.*.ca_file", example: `"secrets/ca.pem"`, doc: "certificates to trust in place of the system's"},
		{path: "feeds.*.stale_after", def: `"24h"`, doc: "without a good poll for this long, someone is told"},
		{path: "feeds.*.procedures", form: list, example: `["surplus"]`, doc: "which ones this feed may call; all where not given"},
		{path: "feeds.*.statements", form: truth, def: "false", doc: "whether statements in an event's description count, on open points"},
		{path: "feeds.*.organizers", form: list, example: `["grid@calendar.example"]`, doc: "whose events count; anybody's where not given"},
		{path: "feeds.*.tentative", form: truth, def: "false", doc: "whether tentative events and unanswered invitations count"},
		{path: "feeds.*.max_per_day", form: number, def: "12", doc: "more windows than this on one day are refused"},
		{path: "feeds.*.max_body", def: `"64MB"`, doc: "a larger calendar is refused whole"},
	}
}

func linkKeys() []key {
	return []key{
		{path: "links.*.url", example: `"mqtt://127.0.0.1:1883"`, doc: "picks the protocol; carries no password"},
		{path: "links.*.spacing", def: `"0s"`, example: `"15s"`, doc: "least time between two commands"},
		{path: "links.*.timeout", def: `"10s"`, doc: "of one exchange"},
		{path: "links.*.confirm", def: `"10s"`, doc: "until the read-back shows the value"},
		{path: "links.*.tries", form: number, def: "3", doc: "of one command"},
		{path: "links.*.user", example: `"spillway"`, only: "mqtt http ocpp", doc: "of the broker or box; the one an OCPP charger shows"},
		{path: "links.*.password_file", example: `"secrets/password"`, only: "mqtt http ocpp", doc: "a file that holds the password and nothing else"},
		{path: "links.*.password", secret: true, only: "mqtt http ocpp", doc: "the password itself, from the environment only"},
		{path: "links.*.token_file", example: `"secrets/token"`, only: "http", doc: "a file that holds a bearer token"},
		{path: "links.*.token", secret: true, only: "http", doc: "the bearer token itself, from the environment only"},
		{path: "links.*.digest", form: truth, def: "false", only: "http", doc: "HTTP digest in place of basic"},
		{path: "links.*.ca_file", example: `"secrets/ca.pem"`, only: "mqtt http", doc: "certificates to trust in place of the system's"},
		{path: "links.*.cert_file", example: `"secrets/cert.pem"`, only: "mqtt http ocpp", doc: "own certificate: the client's, or an OCPP central system's, which makes it TLS"},
		{path: "links.*.key_file", example: `"secrets/key.pem"`, only: "mqtt http ocpp", doc: "the key of cert_file"},
		{path: "links.*.pin", example: `"` + strings.Repeat("0f", 32) + `"`, only: "http", doc: "SHA-256 of the one certificate to trust, in hex"},
		{path: "links.*.client_id", example: `"spillway"`, only: "mqtt", doc: "one is made where not given"},
		{path: "links.*.status", example: `"spillway/status"`, only: "mqtt", doc: "topic that is kept at online or, by the last will, offline"},
		{path: "links.*.headers", form: free, example: `{ X-Site = "barn" }`, only: "http", doc: "sent with every request"},
		{path: "links.*.dir", example: `"."`, only: "exec", doc: "folder the program runs in"},
		{path: "links.*.env", form: either, example: `["BOX=shed"]`, only: "exec", doc: "variables the program sees, NAME=value"},
	}
}

func deviceKeys() []key {
	return []key{
		{path: "devices.*.link", example: `"barn"`, doc: "the link it is behind"},
		{path: "devices.*.kind", example: `"battery"`, doc: "battery | vehicle | tank | load"},
		{path: "devices.*.enabled", form: truth, def: "true", doc: "false leaves it out of every plan"},
		{path: "devices.*.phase", form: either, def: `"all"`, doc: "1 to 3, or \"all\""},
		{path: "devices.*.power", example: `"5 kW"`, doc: "most it can draw, electrical"},
		{path: "devices.*.discharge_power", example: `"5 kW"`, only: "battery vehicle", doc: "most it can give back"},
		{path: "devices.*.capacity", example: `"13.5 kWh"`, only: "battery vehicle", doc: "energy between 0 and 100 %"},
		{path: "devices.*.efficiency", form: number, def: "1", example: "0.95", only: "battery vehicle", doc: "charging, one way"},
		{path: "devices.*.floor", form: number, def: "0", example: "10", only: "battery vehicle", doc: "%, never discharged below"},
		{path: "devices.*.level", example: `"charge_level"`, only: "battery vehicle tank", doc: "the point that reads state of charge in %, or the tank's °C"},
		{path: "devices.*.volume", example: `"210 L"`, only: "tank", doc: "of water"},
		{path: "devices.*.target", form: either, example: `90`, only: "battery vehicle tank", doc: "full at this level: % (100), or a tank's \"55 °C\""},
		{path: "devices.*.cop", form: number, def: "1", example: "2.6", only: "tank load", doc: "heat out per electricity in"},
		{path: "devices.*.current_range", form: list, def: `["6 A", "32 A"]`, only: "vehicle", doc: "least and most; none below 6 A (IEC 61851-1)"},
		{path: "devices.*.need", example: `"20 kWh"`, only: "vehicle", doc: "energy it should take, less what it took in windows of the last 12 h, or the point that reads it; counts instead of level"},
		{path: "devices.*.ready", example: `"07:30"`, doc: "local time by which target must be reached: it is filled for that first, and not held off or emptied for longer than still lets it be"},
		{path: "devices.*.reserve", form: either, example: `20`, only: "battery vehicle tank", doc: "kept for the household: %, or a tank's \"45 °C\"; not emptied below it, not held off at or below it, filled up to it first"},
		{path: "devices.*.worth", form: either, def: "1", example: `"0.30 GBP/kWh"`, doc: "weight of its energy in sharing: money per kWh, or a plain number, for every device that shares"},
		{path: "devices.*.make_room", def: `"off"`, example: `"auto"`, only: "battery tank", doc: "\"auto\": before a turn-up window a battery gives back (at most the other loads, not below floor and reserve) and a tank is not heated, so that it can take most in the window"},
		{path: "devices.*.min_on", def: `"0s"`, example: `"10m"`, doc: "once on, it draws at least this long: what could not is not begun; ends and restores always go on time"},
		{path: "devices.*.min_off", def: `"0s"`, example: `"10m"`, doc: "once off, it is not started again sooner: the start is put off; a restore goes on time"},
		{path: "devices.*.min_hold", def: `"0s"`, example: `"5m"`, doc: "a value that was set stays this long before a higher one is; what lowers a draw goes on time"},
		{path: "devices.*.hygiene.reach", example: `"60 °C"`, only: "tank", doc: "temperature that the tank must reach now and then"},
		{path: "devices.*.hygiene.every", example: `"7d"`, only: "tank", doc: "told when overdue"},
	}
}

func pointKeys() []key {
	return []key{
		{path: "devices.*.points.*.write", form: either, example: `"barn/battery/charge_power/set"`, doc: "how the link addresses it for writing"},
		{path: "devices.*.points.*.read", form: either, example: `"barn/battery/charge_power"`, doc: "how the link addresses it for reading"},
		{path: "devices.*.points.*.values", form: either, example: `["own_use", "charge", "idle"]`, doc: "the names it takes, or names and what is sent for them"},
		{path: "devices.*.points.*.values.*", form: either},
		{path: "devices.*.points.*.unit", example: `"W"`, doc: "of its number; none where not given"},
		{path: "devices.*.points.*.range", form: list, example: `[0, 5000]`, doc: "least and most, in the point's unit"},
		{path: "devices.*.points.*.normal", form: either, example: `"0 W"`, doc: "its value when nothing holds it; captured before the first hold where not given"},
		{path: "devices.*.points.*.tolerance", form: either, example: `"50 W"`, doc: "how far a read-back may differ: % of the value, or in the unit; 1 % for numbers, 0 for names"},
		{path: "devices.*.points.*.draws", form: either, example: `{ on = "1.1 kW" }`, doc: "what each name draws, or false: a limit or a cap, which draws nothing"},
		{path: "devices.*.points.*.draws.*"},
		{path: "devices.*.points.*.protects", form: truth, def: "false", doc: "true is never held"},
		{path: "devices.*.points.*.open", form: truth, def: "false", doc: "may be set from an event's description"},
		{path: "devices.*.points.*.lasts", example: `"25m"`, doc: "a value other than normal ends by itself after this"},
	}
}

// writeKeys and readKeys are the keys of an address that is a table; which of them count depends on the link's protocol.
func writeKeys() []key {
	const w = "devices.*.points.*.write."
	return append([]key{
		{path: w + "topic", example: `"barn/battery/mode/set"`, only: "mqtt", doc: "no wildcards"},
		{path: w + "retain", form: truth, def: "false", only: "mqtt", doc: "whether the broker keeps the command"},
		{path: w + "qos", form: number, def: "1", only: "mqtt", doc: "0, 1 or 2"},
		{path: w + "method", def: `"PUT"`, only: "http", doc: "GET, PUT, POST, PATCH or DELETE; any 2xx accepts"},
		{path: w + "path", example: `"cylinder/boost"`, only: "http", doc: "relative to the link's url"},
		{path: w + "headers", form: free, example: `{ Content-Type = "application/json" }`, only: "http", doc: "sent with this request"},
		{path: w + "body", example: `'{"on": {value}}'`, only: "mqtt http", doc: "with {value} for the value; the bare value where not given"},
		{path: w + "args", form: list, example: `["boost", "--set={value}"]`, only: "exec", doc: "program and arguments, no shell"},
		{path: w + "lasts", example: `"1h"`, doc: "the box ends the value by itself after this, told as {seconds}, {minutes} or {until} (RFC 3339, UTC); renewed before"},
		{path: w + "timer", form: either, example: `{ holding = 23 }`, only: "modbus", doc: "where the box takes that time, in seconds: an address, or in a SunSpec model such a name"},
	}, append(registerKeys(w, "holding coil"), registerKeys(w+"timer.", "holding")...)...)
}

func readKeys() []key {
	const r = "devices.*.points.*.read."
	return append([]key{
		{path: r + "topic", example: `"barn/battery/mode"`, only: "mqtt", doc: "the newest message counts, retained or live"},
		{path: r + "method", def: `"GET"`, only: "http", doc: "GET, PUT, POST, PATCH or DELETE"},
		{path: r + "path", example: `"cylinder"`, only: "http", doc: "relative to the link's url"},
		{path: r + "headers", form: free, example: `{ Accept = "application/json" }`, only: "http", doc: "sent with this request"},
		{path: r + "body", example: `'{"get": "boost"}'`, only: "http", doc: "for a box that is asked by POST"},
		{path: r + "args", form: list, example: `["boost", "--get"]`, only: "exec", doc: "program and arguments; its standard output is read"},
		{path: r + "pick", example: `"$.boost"`, only: "mqtt http exec", doc: "what to take of it, a JSONPath (RFC 9535)"},
	}, registerKeys(r, "holding input coil discrete")...)
}

// registerKeys are those of a Modbus address below prefix, with the tables named.
func registerKeys(prefix, tables string) []key {
	var all []key
	for _, t := range strings.Fields(tables) {
		all = append(all, key{path: prefix + t, form: number, example: "21", only: "modbus", doc: "number in this table, from 0, as on the wire"})
	}
	return append(all, []key{
		{path: prefix + "type", def: `"uint16"`, only: "modbus", doc: "int16 | uint16 | int32 | uint32 | float32 | string"},
		{path: prefix + "scale", form: number, def: "1", example: "0.1", only: "modbus", doc: "the value is the register times this"},
		{path: prefix + "offset", form: number, def: "0", only: "modbus", doc: "and then plus this"},
		{path: prefix + "words", def: `"high"`, only: "modbus", doc: "which word of two comes first: high | low"},
		{path: prefix + "bit", form: number, example: "3", only: "modbus", doc: "one bit of the register, 0 the lowest"},
		{path: prefix + "length", form: number, example: "8", only: "modbus", doc: "registers of a string"},
		{path: prefix + "model", form: number, example: "124", only: "modbus", doc: "SunSpec model, in place of a number"},
		{path: prefix + "name", example: `"WChaMax"`, only: "modbus", doc: "and the point's name in it"},
		{path: prefix + "nth", form: number, example: "2", only: "modbus", doc: "which one, where the box has the model more than once"},
	}...)
}

func procedureKeys() []key {
	return []key{
		{path: "procedures.*.match.title", example: `"free power"`, doc: "a case-blind part of the title, or /.../ a regexp (RE2), in which letter case counts but after (?i)"},
		{path: "procedures.*.match.category", example: `"surplus"`, doc: "or one of the event's categories, case-blind"},
		{path: "procedures.*.match.feed", example: `"house"`, doc: "events of this feed only"},
		{path: "procedures.*.direction", def: `""`, example: `"turn-up"`, doc: "turn-up | turn-down"},
		{path: "procedures.*.rank", form: number, def: "0", example: "10", doc: "higher wins a point"},
		{path: "procedures.*.lead_in", form: list, example: `["barn_battery.charge_power = 5000 W"]`, doc: "statements carried out before the window"},
		{path: "procedures.*.during", form: list, example: `["barn_battery.mode = charge"]`, doc: "from the window's start"},
		{path: "procedures.*.restore", form: list, example: `["barn_battery.charge_power = 3000 W"]`, doc: "replaces the normal; where not given every point goes back to it"},
		{path: "procedures.*.stagger", def: `"0s"`, example: `"10m"`, doc: "spreads the start over this time"},
		{path: "procedures.*.longest", def: `"24h"`, doc: "longer windows are refused"},
		{path: "procedures.*.expect", def: `"off"`, doc: "how the gain is foretold"},
	}
}

func settlementKeys() []key {
	const s = "procedures.*.settlement."
	return []key{
		{path: "procedures.*.settlement", form: either},
		{path: s + "since", form: either, example: "2026-01-01", doc: "these terms; [[procedures.NAME.settlement]] more than once where terms changed"},
		{path: s + "days", form: number, def: "10", doc: "like days averaged, newest first"},
		{path: s + "days_off", form: number, def: "4", doc: "where like = \"workday\": for days that are none"},
		{path: s + "keep", form: number, def: "10", doc: "how many of them are kept; ignored by pick = \"all\""},
		{path: s + "pick", def: `"all"`, doc: "all | highest | middle | lowest, by their energy in the window's intervals"},
		{path: s + "like", def: `"workday"`, doc: "workday (Monday to Friday and no holiday, against the rest) | weekday | every"},
		{path: s + "holidays", example: `"house"`, doc: "name of the feed that holds them"},
		{path: s + "leave_out", example: `"house"`, doc: "name of a feed of outages and the like: a day with an event in it is never a like day"},
		{path: s + "look_back", def: `"60d"`, doc: "the day before counts as 1"},
		{path: s + "fewest", form: number, def: "4", doc: "with fewer like days: no figure, and said so"},
		{path: s + "adjust", def: `"none"`, doc: "none | add | scale, from the same day's use before the window"},
		{path: s + "adjust_from", def: `"4h"`, doc: "the stretch compared: from this much elapsed time before the window's start"},
		{path: s + "adjust_to", def: `"1h"`, doc: "to this much"},
		{path: s + "adjust_cap", form: either, def: "0.2", doc: "scale only: within 0.8 to 1.2; \"none\" for no cap"},
		{path: s + "adjust_only", example: `"up"`, doc: "\"up\": the adjustment never lowers a baseline"},
		{path: s + "floor", def: `"interval"`, doc: "gains below zero count as zero per interval | per window | none"},
		{path: s + "rate", example: `"0.245 GBP/kWh"`, doc: "what is paid"},
		{path: s + "rates", form: list, example: `[{ from = "16:00", to = "19:00", rate = "0.40 GBP/kWh" }]`,
			doc: "other rates at local times of day; to may lie past midnight"},
		{path: s + "rates.from"},
		{path: s + "rates.to"},
		{path: s + "rates.rate"},
		{path: s + "fixed", example: `"0.4 kWh"`, doc: "a baseline per interval, in place of like days"},
		{path: s + "figures", example: `"figures.csv"`, doc: "a file of the supplier's own baseline, laid out like meter data"},
		{path: s + "same_day.before", form: list, example: `["4h", "1h"]`, doc: "baseline of the day's own use, from and to this long before the window"},
		{path: s + "same_day.after", form: list, example: `["1h", "3h"]`, doc: "and from and to this long after it"},
		{path: s + "credit_after", def: `"7d"`, doc: "when the credit should have come"},
	}
}

func meterKeys() []key {
	return []key{
		{path: "meter.files", form: list, example: `["meter/*.csv"]`, doc: "or --meter FILE; CSV or Green Button XML, by content"},
		{path: "meter.zone", def: `"UTC"`, doc: "of stamps that carry none"},
		{path: "meter.stamp", example: `"start"`, doc: "start | end of the interval; start where not given"},
		{path: "meter.column", form: either},
		{path: "meter.column.time", form: either, example: `"start"`, doc: "name or number of the column of stamps; each column is found where not given"},
		{path: "meter.column.energy", form: either, example: `"value"`, doc: "of the energy"},
		{path: "meter.column.end", form: either, example: `"end"`, doc: "of the other end of the interval"},
		{path: "meter.column.date", form: either, example: `"day"`, doc: "of the day, where time is the clock alone"},
		{path: "meter.column.period", form: either, example: `"period"`, doc: "of the interval's number in its day, from 1"},
		{path: "meter.unit", example: `"kWh"`, doc: "kWh | Wh | MWh | W | kW (mean over the interval); as the header says where not given, else kWh"},
		{path: "meter.interval", example: `"30m"`, doc: "of every reading; found from the stamps where not given"},
		{path: "meter.decimal", example: `","`, doc: "decimal mark: . | ,; found where not given"},
		{path: "meter.separator", example: `";"`, doc: "of columns; found where not given"},
		{path: "meter.dates", example: `"dmy"`, doc: "order of all-number dates: ymd | dmy | mdy; found where not given"},
		{path: "meter.register", form: truth, def: "false", doc: "the values are readings of a register, of which each is taken from the next"},
		{path: "meter.net", form: truth, def: "false", doc: "values may be below zero: the meter nets what is sent back"},
		{path: "meter.point", example: `"house_battery.import"`, doc: "the point that reads the meter (Wh, kWh: a register; W, kW: the import), recorded by run"},
	}
}

func publishKeys() []key {
	return []key{
		{path: "publish.listen", example: `"127.0.0.1:8377"`, doc: "the feed and the page; /plan/<secret>.ics; port 0 picks a free one"},
		{path: "publish.file", example: `"plan.ics"`, doc: "an .ics to keep up to date"},
		{path: "publish.caldav", example: `"caldavs://calendar.example/ada/plan/"`, doc: "a collection to put the entries into, for phones that cannot reach the house; it belongs to Spillway"},
		{path: "publish.caldav_user", example: `"ada"`, doc: "who may write there"},
		{path: "publish.caldav_password_file", example: `"secrets/password"`, doc: "a file that holds the password and nothing else"},
		{path: "publish.caldav_password", secret: true, doc: "the password itself, from the environment only"},
		{path: "publish.caldav_token_file", example: `"secrets/token"`, doc: "a file that holds a bearer token, in place of user and password"},
		{path: "publish.caldav_token", secret: true, doc: "the bearer token itself, from the environment only"},
		{path: "publish.caldav_ca_file", example: `"secrets/ca.pem"`, doc: "certificates to trust in place of the system's"},
		{path: "publish.user", example: `"ada"`, doc: "who may read the feed and use the page"},
		{path: "publish.password_hash_file", example: `"secrets/hash"`, doc: "argon2id, in PHC form"},
		{path: "publish.token_file", example: `"secrets/token"`, doc: "a file that holds a bearer token"},
		{path: "publish.token", secret: true, doc: "the bearer token itself, from the environment only"},
		{path: "publish.tls_cert", example: `"secrets/cert.pem"`, doc: "own certificate, for https"},
		{path: "publish.tls_key", example: `"secrets/key.pem"`, doc: "its key"},
		{path: "publish.names", form: list, example: `["spillway.house.example"]`, doc: "further host names that the page is reached under, such as a proxy's"},
		{path: "publish.detail", def: `"phases"`, doc: "an entry per phase | per step: phases | steps"},
		{path: "publish.remind", def: `"0s"`, example: `"30m"`, doc: "an alarm in the plan feed this long before what comes first of a window, and one on trouble"},
	}
}

func tellKeys() []key {
	return []key{
		{path: "tell.*.url", example: `"https://hook.example/spillway"`, doc: "a webhook, which JSON is posted to; mail by smtp://host:587 or smtps://host:465; or mqtt(s)://"},
		{path: "tell.*.faults", form: list, example: `["restore", "feed"]`,
			doc: "which: clock, journal, restore, point, link, feed, plan, hygiene, credit; all where not given"},
		{path: "tell.*.after", def: `"2m"`, doc: "how long a fault lasts before it is told; a feed's stale_after counts besides"},
		{path: "tell.*.windows", form: truth, def: "false", doc: "whether a new window is told too, with its lead-in and its problems"},
		{path: "tell.*.link", example: `"barn"`, only: "mqtt", doc: "an MQTT link to tell it on, in place of url"},
		{path: "tell.*.topic", example: `"spillway/faults"`, only: "mqtt", doc: "the topic; JSON as for a webhook, not retained"},
		{path: "tell.*.from", example: `"spillway@house.example"`, only: "mail", doc: "the mail's sender"},
		{path: "tell.*.to", form: list, example: `["ada@house.example"]`, only: "mail", doc: "its receivers; each gets their own mail"},
		{path: "tell.*.user", example: `"spillway"`, doc: "of the mail server, webhook or broker"},
		{path: "tell.*.password_file", example: `"secrets/password"`, doc: "a file that holds the password and nothing else"},
		{path: "tell.*.password", secret: true, doc: "the password itself, from the environment only"},
		{path: "tell.*.token_file", example: `"secrets/token"`, only: "webhook", doc: "a file that holds the webhook's bearer token"},
		{path: "tell.*.token", secret: true, only: "webhook", doc: "the token itself, from the environment only"},
		{path: "tell.*.ca_file", example: `"secrets/ca.pem"`, doc: "certificates to trust in place of the system's"},
	}
}
