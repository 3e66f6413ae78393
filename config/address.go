package config

import (
	"net/url"
	"slices"
	"strings"

	"github.com/theory/jsonpath"

	"spillway/actions"
)

// addresses reads write and read of a point by its link's protocol. Where one is written and wrong, an empty address
// stands for it, so that statements on the point are no second fault.
func (s section) addresses(link *actions.Link, p *actions.Point) (write, read *actions.Address) {
	if s.given("write") {
		write = &actions.Address{}
		s.address("write", link.Protocol, p, write)
		s.carries(link.Protocol, write)
		if t, isTable := s.sub("write"); isTable {
			t.lasts(link, p, write)
		}
	}
	if s.given("read") {
		read = &actions.Address{}
		s.address("read", link.Protocol, p, read)
	}
	if link.Protocol == "ocpp" {
		return s.stationPoint(p, write, read)
	}
	return write, read
}

func (s section) address(name, protocol string, p *actions.Point, a *actions.Address) {
	t, isTable := s.sub(name)
	switch {
	case protocol == "":
	case isTable:
		t.table(name, protocol, p, a)
	default:
		s.short(name, protocol, a)
	}
}

// short reads the short form of an address: text, or the argument list of a command.
func (s section) short(name, protocol string, a *actions.Address) {
	n := s.node(name)
	if n.shape == array {
		if protocol != "exec" {
			s.fail(name, "is no list on %s links: %s", protocol, suchAddress(name, protocol))
			return
		}
		a.Args, _ = s.list(name)
		s.args(name, a)
		return
	}
	v := s.text(name)
	switch protocol {
	case "mqtt":
		a.Topic, a.QoS = v, 1
		s.topic(name, v)
	case "http":
		a.Path, a.Method = v, method(name)
		s.relative(name, v)
	case "exec":
		a.Args = strings.Fields(v)
		if len(a.Args) > 1 {
			s.fail(name, "is one word or a list: write [\"program\", \"argument\"], there is no shell to cut it up")
		}
		s.args(name, a)
	case "modbus":
		s.fail(name, "is a table on modbus links: %s", suchAddress(name, protocol))
	case "ocpp":
		a.Path = v
	}
}

func suchAddress(name, protocol string) string {
	form := map[string]string{
		"mqtt": `"topic" or { topic = "…" }`, "http": `"path" or { path = "…" }`, "modbus": `{ holding = 21, type = "int16" }`,
		"exec": `["program", "argument"]`, "ocpp": `one of ` + strings.Join(stationPoints(), ", "),
	}[protocol]
	return "write " + name + " = " + form
}

func method(name string) string {
	if name == "write" {
		return "PUT"
	}
	return "GET"
}

// table reads the long form of an address. s is the table of the address itself.
func (s section) table(name, protocol string, p *actions.Point, a *actions.Address) {
	good := true
	for _, key := range s.names() {
		t := s.l.keys.at(splitPath(join(s.path, key)))
		if t != nil && t.key != nil && !t.key.belongs(protocol) {
			s.fail(key, "is no key of %s addresses: %s", protocol, suchAddress(name, protocol))
			good = false
		}
	}
	if !good {
		return
	}
	a.Pick = s.pick()
	switch protocol {
	case "mqtt":
		a.Topic, a.Body = s.required("topic"), s.text("body")
		a.Retain, a.QoS = s.truth("retain"), byte(s.count("qos", 0, 2))
		s.topic("topic", a.Topic)
	case "http":
		a.Path, a.Body = s.required("path"), s.text("body")
		a.Method = s.choice("method", "GET", "PUT", "POST", "PATCH", "DELETE")
		a.Headers = s.headers("headers")
		s.relative("path", a.Path)
	case "exec":
		a.Args, _ = s.list("args")
		s.args("args", a)
	case "modbus":
		a.Register = s.register(p)
	case "ocpp":
		if name != "write" || !s.given("lasts") || p.Ref.Point != "current" {
			s.fail("", "is a name on ocpp links: %s", suchAddress(name, protocol))
		}
	}
}

// topic checks a topic that is published or subscribed to: no wildcards, no NUL, at most 65,535 bytes (MQTT 5.0 4.7.3).
func (s section) topic(name, v string) {
	switch {
	case v == "":
	case strings.ContainsAny(v, "+#"):
		s.fail(name, "has a wildcard: write one whole topic")
	case len(v) > 65535:
		s.fail(name, "is too long for a topic")
	case strings.HasPrefix(v, "$"):
		s.fail(name, "belongs to the broker: topics with $ in front are not for devices")
	}
}

// relative checks a path that is to stay below the link's url.
func (s section) relative(name, v string) {
	if v == "" {
		return
	}
	u, err := url.Parse(strings.ReplaceAll(v, "{value}", "0"))
	switch {
	case err != nil:
		s.fail(name, "is no path")
	case u.Scheme != "" || u.Host != "":
		s.fail(name, "is a path below the link's url, without a host")
	case slices.Contains(strings.Split(u.Path, "/"), ".."):
		s.fail(name, "leads out of the link's url with ..")
	}
}

func (s section) args(name string, a *actions.Address) {
	if len(a.Args) == 0 {
		s.fail(name, "names no program: write [\"program\", \"argument\"]")
		return
	}
	if strings.Contains(a.Args[0], "{value}") {
		s.fail(name, "has the value in the program's name")
	}
}

// pick reads a JSONPath.
func (s section) pick() string {
	v := s.text("pick")
	if v == "" {
		return ""
	}
	if _, err := jsonpath.Parse(v); err != nil {
		s.fail("pick", "is no JSONPath (RFC 9535): %v", strings.TrimPrefix(err.Error(), "jsonpath: "))
	}
	return v
}

// carries complains of a command that says the same for every value.
func (s section) carries(protocol string, a *actions.Address) {
	const mark = "{value}"
	var told bool
	switch protocol {
	case "mqtt":
		told = a.Body == "" || strings.Contains(a.Body, mark)
	case "http":
		bare := a.Body == "" && a.Method != "GET" && a.Method != "DELETE"
		told = bare || strings.Contains(a.Body+a.Path, mark)
		for _, v := range a.Headers {
			told = told || strings.Contains(v, mark)
		}
	case "exec":
		told = len(a.Args) == 0 || strings.Contains(strings.Join(a.Args, " "), mark)
	default:
		return
	}
	if !told {
		s.fail("write", "says the same for every value: put {value} where the value belongs")
	}
}
