package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"spillway/actions/statement"
	"spillway/config"
)

// A draft is a configuration as it is talked about: the answers as written, each with its proposal to begin with.
type draft struct {
	State, Zone, Feed, Limit, Phases, Voltage, OtherLoads, Title string

	Devices []*draftDevice
}

// A draftDevice is one device on a link of its own.
type draftDevice struct {
	way

	URL, Name, Kind     string
	Power, Size, Target string // Size is a capacity or a volume
	Write, Read         string
	PasswordFile        string // of an OCPP link that is open to the network
}

// A way is one of the protocols by which a device is reached, with what is proposed for it.
type way struct {
	protocol, how, far string
	url, name          string
	kind               string // "" asks
	link               string
}

func waysToDevices() []way {
	return []way{
		{protocol: "mqtt", how: "over MQTT, by way of a broker", far: "broker", url: "mqtt://127.0.0.1:1883", name: "battery", link: "broker"},
		{protocol: "http", how: "over HTTP, a box with a web address", far: "box", url: "http://192.168.1.20/", name: "cylinder", link: "web_box"},
		{protocol: "modbus", how: "over Modbus", far: "box, the unit last", url: "modbus://192.168.1.30:502/1", name: "inverter", link: "modbus_box"},
		{protocol: "ocpp", how: "over OCPP, a charger that calls in", far: "charger: where it calls in, 0.0.0.0 for one on the network, its name last", url: "ocpp://127.0.0.1:8887/CHARGER",
			name: "car", kind: "vehicle", link: "charger"},
		{protocol: "exec", how: "by a program of yours", far: "program (leave it as it is)", url: "exec:", name: "freezer", link: "program"},
	}
}

func newDraft(path, zone string) *draft {
	d := &draft{State: "state", Zone: zone, Feed: "windows.ics", Limit: "60 A", Phases: "1", Voltage: "230 V", OtherLoads: "0.8 kW", Title: "free power"}
	if abs, err := filepath.Abs(path); err == nil && strings.HasPrefix(filepath.ToSlash(abs), "/etc/") {
		d.State = "/var/lib/spillway"
	}
	return d
}

func (d *draft) add(w way) *draftDevice {
	dev := &draftDevice{way: w, URL: w.url, Name: w.name, Kind: w.kind}
	if dev.Kind == "" {
		dev.Kind = map[string]string{"http": "tank", "exec": "load"}[w.protocol]
	}
	if dev.Kind == "" {
		dev.Kind = "battery"
	}
	dev.propose()
	d.Devices = append(d.Devices, dev)
	return dev
}

// propose fills in what fits the name and the kind.
func (v *draftDevice) propose() {
	v.Power = map[string]string{"battery": "5 kW", "vehicle": "7.4 kW", "tank": "3 kW", "load": "2 kW"}[v.Kind]
	v.Size = map[string]string{"battery": "13.5 kWh", "vehicle": "52 kWh", "tank": "210 L"}[v.Kind]
	v.Target = map[string]string{"tank": "55 °C"}[v.Kind]
	point := v.point()
	switch v.protocol {
	case "mqtt":
		v.Write, v.Read = v.Name+"/"+point+"/set", v.Name+"/"+point
	case "http":
		v.Write, v.Read = point, point
	case "modbus":
		v.Write, v.Read = "21", "21"
	case "exec":
		v.Write, v.Read = v.Name+" set {value}", v.Name+" get"
	}
}

// passwordFile names the file of the charger's password, which is needed where others can reach its address; "" where
// none is.
func (v *draftDevice) passwordFile() string {
	if v.protocol == "ocpp" {
		if u, err := url.Parse(v.URL); err == nil && !isLoopback(u.Hostname()) {
			return v.link + ".password"
		}
	}
	return ""
}

func isLoopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// point is the one point that the device begins with.
func (v *draftDevice) point() string {
	switch {
	case v.Kind == "battery":
		return "charge_power"
	case v.Kind == "vehicle":
		return "current"
	case v.Kind == "tank":
		return "boost"
	}
	return "run"
}

type draftQuestion struct {
	question string
	to       *string
}

// questions are those that the protocol and the kind leave open.
func (v *draftDevice) questions() []draftQuestion {
	var list []draftQuestion
	switch v.Kind {
	case "battery", "vehicle":
		list = append(list, draftQuestion{"Energy it holds", &v.Size})
	case "tank":
		list = append(list, draftQuestion{"Water it holds", &v.Size}, draftQuestion{"Temperature at which it is full", &v.Target})
	}
	list = append(list, draftQuestion{"Most it draws", &v.Power})
	what := strings.ReplaceAll(v.point(), "_", " ")
	switch v.protocol {
	case "mqtt":
		list = append(list, draftQuestion{"Topic that sets its " + what, &v.Write}, draftQuestion{"Topic that tells it", &v.Read})
	case "http":
		list = append(list, draftQuestion{"Path that sets its " + what + " (by PUT)", &v.Write}, draftQuestion{"Path that tells it", &v.Read})
	case "modbus":
		list = append(list, draftQuestion{"Holding register that sets its " + what, &v.Write}, draftQuestion{"Holding register that tells it", &v.Read})
	case "exec":
		list = append(list, draftQuestion{"Command that sets its " + what + ", with {value}", &v.Write}, draftQuestion{"Command that tells it", &v.Read})
	}
	return list
}

func (d *draft) localFeed() bool {
	_, local := localPath(d.Feed)
	return local
}

// valid checks the draft as the program will, in a folder that is thrown away.
func (d *draft) valid() error {
	dir, err := os.MkdirTemp("", "spillway-init-")
	if err != nil {
		return fmt.Errorf("make a temporary folder: %w", err)
	}
	defer os.RemoveAll(dir)
	path := filepath.Join(dir, config.Name)
	if err := d.write(path); err != nil {
		return err
	}
	cfg, err := config.Load(config.Options{File: path, Env: []string{}})
	var faulty *config.Error
	if errors.As(err, &faulty) {
		return errors.New(faulty.Faults[0].What)
	} else if err != nil {
		return err
	}
	for _, f := range cfg.Check() {
		if f.Level == config.Amiss {
			return fmt.Errorf("%s: %s: %s", f.Where, f.What, f.Cure)
		}
	}
	return nil
}

// text writes the draft down as a commented configuration.
func (d *draft) text() []byte {
	var b bytes.Buffer
	p := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	p("# Spillway's configuration. Every quantity carries its unit. 'spillway check' reads this file and says what it makes of")
	p("# it; 'spillway check --offline' asks no feed and no device.\n")
	p("timezone = %s  # for floating and all-day events, and for what you read", quote(d.Zone))
	p("state    = %s  # the journal: what is held, and what must go back. Keep it on a disk that lasts", quote(d.State))
	p("\n# The supply limit is a plan, not a protective device.\n[supply]")
	p("limit       = %s  # the service fuse, or the lower figure you want kept; per phase", quote(d.Limit))
	p("phases      = %s", tomlNumber(d.Phases))
	p("voltage     = %s", quote(d.Voltage))
	p("other_loads = %s  # allowance for everything that is not below", quote(d.OtherLoads))
	p("\n# Whoever can write to this calendar can call the procedures below.\n[feeds.house]")
	p("url  = %s", quote(d.Feed))
	if d.localFeed() {
		p(`poll = "15s"  # how soon a new window is seen; a file here is quickly looked at`)
	} else {
		p(`poll = "5m"  # how soon a new window is seen`)
		p("# For a calendar behind a password, and where a server's certificate is signed by an authority of your own:")
		p(`# user          = "ada"`)
		p(`# password_file = "secrets/calendar"  # the password and nothing else; chmod 600`)
		p(`# ca_file       = "secrets/ca.pem"    # in place of the system's authorities`)
	}
	for _, v := range d.Devices {
		v.text(p)
	}
	d.procedure(p)
	p("\n# The plan as a calendar, for this machine only. Subscribe to the address that 'spillway run' prints.\n[publish]")
	p(`listen = "127.0.0.1:8377"`)
	return b.Bytes()
}

func (d *draft) procedure(p func(string, ...any)) {
	p("\n# What is done in a window; auto takes what the supply leaves. Lead-in statements would come before it:")
	p(`#   lead_in = ["cylinder.boost = off from -2h"]`)
	p("# Nothing is said about afterwards: every point goes back to its normal.\n[procedures.surplus]")
	p("match     = { title = %s }  # a part of an event's title, whatever its case", quote(d.Title))
	p(`direction = "turn-up"`)
	p("rank      = 10  # where two procedures want one point, the higher rank has it")
	p("during = [")
	for _, v := range d.Devices {
		p("  %s,", quote(v.statement()))
	}
	if len(d.Devices) == 0 {
		p(`  # "battery.charge_power = 5 kW",`)
	}
	p("]")
}

func (v *draftDevice) statement() string {
	ref := v.Name + "." + v.point()
	switch {
	case v.protocol == "ocpp":
		return ref + " = auto if " + v.Name + ".plugged = yes"
	case v.Kind == "battery" || v.Kind == "vehicle":
		return ref + " = auto"
	}
	return ref + " = on"
}

func (v *draftDevice) text(p func(string, ...any)) {
	p("\n[links.%s]", v.link)
	p("url     = %s", quote(v.URL))
	if v.protocol == "mqtt" || v.protocol == "http" {
		p("#user    = \"ada\"  # where the %s wants one, with password_file: a file that only you can read", v.far)
	}
	if v.protocol != "ocpp" {
		p(`spacing = "15s"  # least time between two commands; 'spillway check --find-spacing %s' finds what the box needs`, v.link)
	} else if file := v.passwordFile(); file != "" {
		p("user    = %s", quote(station(v.URL)))
		p("password_file = %s", quote(file))
	}
	p("\n[devices.%s]", tomlKey(v.Name))
	p("link     = %s", quote(v.link))
	p("kind     = %s", quote(v.Kind))
	switch v.Kind {
	case "battery", "vehicle":
		p("capacity = %s", quote(v.Size))
	case "tank":
		p("volume   = %s", quote(v.Size))
		p("target   = %s", quote(v.Target))
	}
	p("power    = %s  # most it draws", quote(v.Power))
	v.levelHint(p)
	if v.protocol != "ocpp" { // an OCPP charger's points exist by themselves
		v.pointText(p)
	}
}

// levelHint says how the sums come to know when the device is full.
func (v *draftDevice) levelHint(p func(string, ...any)) {
	switch v.Kind {
	case "vehicle":
		p(`#need    = "20 kWh"  # what it should take; or level, as for a battery`)
	case "battery":
		p(`#level   = "charge_level"  # a point with read and unit = "%%": the plan then knows when it is full`)
	case "tank":
		p(`#level   = "temperature"  # a point with read and unit = "°C": the plan then knows when it is full`)
	}
}

func (v *draftDevice) pointText(p func(string, ...any)) {
	p("\n[devices.%s.points.%s]", tomlKey(v.Name), v.point())
	numeric := v.Kind == "battery" || v.Kind == "vehicle"
	write, read := quote(v.Write), quote(v.Read)
	switch v.protocol {
	case "modbus":
		kind := map[bool]string{true: `, type = "uint16"`}[numeric]
		write, read = "{ holding = "+tomlNumber(v.Write)+kind+" }", "{ holding = "+tomlNumber(v.Read)+kind+" }"
	case "exec":
		write, read = quoteList(strings.Fields(v.Write)), quoteList(strings.Fields(v.Read))
	}
	p("write  = %s", write)
	p("read   = %s", read)
	switch {
	case v.Kind == "battery":
		p(`unit   = "W"`)
		if q, err := statement.ParseQuantity(v.Power); err == nil {
			if w, err := q.In("W"); err == nil {
				p("range  = [0, %g]", w)
			}
		}
	case v.Kind == "vehicle":
		p(`unit   = "A"`)
		p("range  = [0, 32]")
	case v.protocol == "modbus":
		p("values = { on = 1, off = 0 }")
	default:
		p(`values = ["on", "off"]`)
	}
	if !numeric {
		p(`normal = "off"  # what it goes back to; without it, what it reads before the first window`)
	}
}

// station returns the last part of an OCPP address, which is also the user that the charger shows.
func station(address string) string {
	u, err := url.Parse(address)
	if err != nil {
		return ""
	}
	return strings.Trim(u.Path, "/")
}

// quote writes s as a TOML basic string, whose escapes are a superset of JSON's (TOML 1.0, String).
func quote(s string) string {
	var b strings.Builder
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	_ = enc.Encode(s) // a string always encodes
	return strings.TrimSuffix(b.String(), "\n")
}

// tomlKey writes a name as a bare key where it is one (TOML 1.0, Keys), so that what is wrong with any other is said of it
// and not of the file.
func tomlKey(s string) string {
	if s == "" || strings.Trim(strings.ToLower(s), "abcdefghijklmnopqrstuvwxyz0123456789_-") != "" {
		return quote(s)
	}
	return s
}

// tomlNumber writes an answer that should be a whole number: bare where it is one, else as the text it is.
func tomlNumber(s string) string {
	if n, err := strconv.Atoi(s); err == nil {
		return strconv.Itoa(n)
	}
	return quote(s)
}

func quoteList(list []string) string {
	quoted := make([]string, len(list))
	for i, s := range list {
		quoted[i] = quote(s)
	}
	return "[" + strings.Join(quoted, ", ") + "]"
}
