package config

import (
	"slices"
	"strings"
	"time"

	"spillway/actions"
	"spillway/actions/statement"
)

// devices reads every device with its points, by name.
func (l *loader) devices(top section, p *actions.Premises) []actions.Device {
	var all []actions.Device
	worth := &worths{}
	top.each("devices", func(name string, s section) {
		d := actions.Device{
			Name:    name,
			Link:    s.deviceLink(),
			Kind:    s.kind(),
			Enabled: s.truth("enabled"),
			Phase:   s.phase(p.Supply.Phases),
			Worth:   worth.read(s),
			MinOn:   s.leastTime("min_on"),
			MinOff:  s.leastTime("min_off"),
			MinHold: s.leastTime("min_hold"),
			Ready:   s.clock("ready"),
		}
		if name == "window" {
			s.fail("", "is a name that \"skip window\" has taken: call the device something else")
		}
		link := p.Link(d.Link)
		d.Points = s.points(name, link)
		s.figures(&d)
		if link != nil && link.Protocol == "ocpp" {
			s.stationRange(&d)
			stationWatts(&d, p.WPerA(&d))
		}
		s.levels(&d)
		s.hygieneLevel(&d)
		s.misfits(d.Kind)
		all = append(all, d)
	})
	worth.check()
	worth.fill(all)
	return all
}

func (s section) deviceLink() string {
	v := s.required("link")
	if v != "" && !s.known(s.node("link"), join(s.path, "link"), "link", v, s.l.all.links) {
		return ""
	}
	return v
}

func (s section) kind() actions.Kind {
	if s.required("kind") == "" {
		return ""
	}
	return actions.Kind(s.choice("kind", "battery", "vehicle", "tank", "load"))
}

// phase reads 1 to 3, or "all", which is 0.
func (s section) phase(phases int) int {
	n := s.get("phase")
	if v, ok := n.string(); ok && v == "all" {
		return 0
	}
	x, ok := n.number()
	switch {
	case !ok || x != 1 && x != 2 && x != 3:
		s.fail("phase", "is 1, 2, 3 or \"all\"")
	case int(x) > phases && phases == 1:
		s.fail("phase", "is not there: supply.phases is 1")
	default:
		return int(x)
	}
	return 0
}

// clock reads a local time of day, HH:MM.
func (s section) clock(name string) string {
	v := s.text(name)
	if v == "" {
		return ""
	}
	if _, err := time.Parse("15:04", v); err != nil || len(v) != 5 {
		s.fail(name, "is no time of day: write for instance \"07:30\"")
		return ""
	}
	return v
}

// figures reads what the sums need.
func (s section) figures(d *actions.Device) {
	d.PowerW = s.positive("power", "W")
	d.DischargeW = s.positive("discharge_power", "W")
	d.CapacityWh = s.positive("capacity", "Wh")
	d.VolumeL = s.positive("volume", "L")
	d.Efficiency = s.number("efficiency", 0, 1)
	s.failUnless("efficiency", d.Efficiency > 0, "is a share above 0 and up to 1")
	d.COP = s.number("cop", 0, 20)
	s.failUnless("cop", d.COP > 0, "is above zero")
	d.FloorPercent = s.percent("floor")
	d.MakeRoom = s.choice("make_room", "auto", "off") == "auto"
	if d.Kind == actions.Vehicle {
		d.CurrentMinA, d.CurrentMaxA = s.currents()
	}
	s.hygiene(d)
	s.target(d)
	s.reserve(d)
}

// failUnless complains of a zero that lies within the bounds of a key and yet means nothing.
func (s section) failUnless(name string, ok bool, what string) {
	if n := s.node(name); n != nil && !ok {
		if x, isNumber := n.number(); isNumber && x == 0 {
			s.fail(name, "%s", what)
		}
	}
}

// percent reads a percentage: bare, or with its sign between quotes.
func (s section) percent(name string) float64 {
	n := s.get(name)
	if n == nil {
		return 0
	}
	x, ok := n.number()
	if v, isText := n.string(); !ok && isText {
		q, err := statement.ParseQuantity(v)
		if err == nil {
			x, err = q.In("%")
		}
		ok = err == nil
	}
	switch {
	case !ok:
		s.fail(name, "is a percentage: write %s = 20", name)
	case x < 0 || x > 100:
		s.fail(name, "is out of bounds: 0 to 100 %%")
	default:
		return x
	}
	return 0
}

// currents reads the range that a vehicle charges within.
func (s section) currents() (least, most float64) {
	const name = "current_range"
	n := s.get(name)
	if n.shape != array || len(n.items) != 2 {
		s.fail(name, "is a list of two: write [\"6 A\", \"32 A\"]")
		return 6, 32
	}
	least, ok := s.quantityOf(n.items[0], join(s.path, name), "A")
	most, ok2 := s.quantityOf(n.items[1], join(s.path, name), "A")
	switch {
	case !ok || !ok2:
	case least < 6:
		s.fail(name, "begins below 6 A, with which no vehicle charges (IEC 61851-1)")
	case most < least:
		s.fail(name, "ends below its begin")
	case least != float64(int(least)) || most != float64(int(most)):
		s.fail(name, "is in whole amperes")
	case most > 80:
		s.fail(name, "ends above 80 A, more than the signal can say (IEC 61851-1)")
	}
	return least, most
}

func (s section) hygiene(d *actions.Device) {
	h, given := s.sub("hygiene")
	if !given {
		if s.given("hygiene") {
			s.fail("hygiene", "is a table: write { reach = \"60 °C\", every = \"7d\" }")
		}
		return
	}
	for _, name := range []string{"every", "reach"} {
		if !h.given(name) {
			h.required(name)
		}
	}
	every := h.duration("every", time.Hour)
	reach, _ := h.quantity("reach", "°C")
	if d.Kind == actions.Tank { // else it is said to mean nothing
		d.Hygiene.Every, d.Hygiene.ReachC = every, reach
	}
}

// hygieneLevel complains of a tank whose temperature nobody reads.
func (s section) hygieneLevel(d *actions.Device) {
	if d.Hygiene.Every > 0 && d.Level == "" {
		s.fail("hygiene", "is watched by the tank's level: write level too, the point that reads its temperature")
	}
}

// target reads the level at which a device is full: percent, or °C of a tank.
func (s section) target(d *actions.Device) {
	d.HasTarget = s.given("target")
	switch {
	case !d.HasTarget:
	case d.Kind == actions.Tank:
		d.Target = s.temperature("target")
	default:
		d.Target = s.percent("target")
		if d.Target <= d.FloorPercent && d.Target > 0 {
			s.fail("target", "is not above floor")
		}
	}
}

func (s section) reserve(d *actions.Device) {
	d.HasReserve = s.given("reserve")
	switch {
	case !d.HasReserve:
	case d.Kind == actions.Tank:
		d.Reserve = s.temperature("reserve")
	default:
		d.Reserve = s.percent("reserve")
	}
	if full, known := d.TargetLevel(); d.HasReserve && known && d.Reserve > full {
		s.fail("reserve", "is above target")
	}
}

// temperature reads what water in a tank may have.
func (s section) temperature(name string) float64 {
	x, ok := s.quantity(name, "°C")
	if ok && (x < 0 || x > 100) {
		s.fail(name, "is no temperature of water: 0 °C to 100 °C")
	}
	return x
}

// levels ties a device to the points that read its level and its need.
func (s section) levels(d *actions.Device) {
	d.Level = s.ownPoint("level", d)
	if pt := d.Point(d.Level); pt != nil {
		switch want := map[actions.Kind]string{actions.Battery: "%", actions.Vehicle: "%", actions.Tank: "°C"}[d.Kind]; {
		case pt.Read == nil:
			s.fail("level", "cannot be read: the point has no read")
		case want != "" && pt.Unit != want:
			s.fail("level", "is in %q: the level of a %s is in %s", pt.Unit, d.Kind, want)
		}
	}
	if n := s.node("need"); n != nil {
		s.need(n, d)
	}
}

func (s section) need(n *node, d *actions.Device) {
	v, isText := n.string()
	if !isText || v == "" || !isName(v) && !isRef(v) {
		d.NeedWh = s.positive("need", "Wh")
		return
	}
	d.NeedPoint = s.ownPoint("need", d)
	if pt := d.Point(d.NeedPoint); pt != nil && (pt.Read == nil || pt.Unit != "Wh" && pt.Unit != "kWh") {
		s.fail("need", "reads no energy: the point is to have a read, and the unit Wh or kWh")
	}
}

// ownPoint reads the name of one of the device's points.
func (s section) ownPoint(name string, d *actions.Device) string {
	v := strings.TrimPrefix(s.text(name), d.Name+".")
	if v == "" {
		return ""
	}
	var known []string
	for i := range d.Points {
		known = append(known, d.Points[i].Ref.Point)
	}
	if !s.known(s.node(name), join(s.path, name), "point of this device called", v, known) {
		return ""
	}
	return v
}

// misfits notes figures that mean nothing for a kind of device.
func (s section) misfits(kind actions.Kind) {
	if kind == "" {
		return
	}
	for _, name := range s.names() {
		t := s.l.keys.at(splitPath(join(s.path, name)))
		if k := t.anyKey(); k != nil && !k.belongs(string(kind)) {
			s.note(name, "means nothing for a %s: it belongs to %s", kind, strings.ReplaceAll(k.only, " ", ", "))
		}
	}
}

// worths sees to it that all devices are weighed in the same coin.
type worths struct {
	coins []string // "" for a plain number
	first []section
	least float64   // of those in money
	none  []section // those that have none
}

// read reads the weight of a device's energy: a plain number, or money per kWh.
func (w *worths) read(s section) float64 {
	n := s.get("worth")
	coin := ""
	x, ok := n.number()
	if v, isText := n.string(); !ok && isText {
		r, err := statement.ParseRate(v)
		if err != nil {
			s.fail("worth", "%v; or write a plain number", err)
			return 1
		}
		q, err := statement.ParseQuantity(r.Amount)
		x, ok, coin = q.Number, err == nil, r.Currency
	}
	if !ok || x <= 0 || x > 1e6 {
		s.fail("worth", "is a number above 0, or money per kWh such as \"0.30 GBP/kWh\"")
		return 1
	}
	switch {
	case !s.given("worth"):
		w.none = append(w.none, s)
	case coin != "" && (w.least == 0 || x < w.least):
		w.least = x
	}
	if s.given("worth") && !slices.Contains(w.coins, coin) {
		w.coins, w.first = append(w.coins, coin), append(w.first, s)
	}
	return x
}

// fill gives devices without a weight that of the least of the others where those are in money: 1 would be a pound or euro
// per kWh, and most of all.
func (w *worths) fill(devices []actions.Device) {
	if w.least == 0 {
		return
	}
	for _, s := range w.none {
		i := slices.IndexFunc(devices, func(d actions.Device) bool { return "devices."+d.Name == s.path })
		if i >= 0 {
			devices[i].Worth = w.least
		}
		s.note("worth", "is not given: in sharing its energy counts as much as that of the device that is worth least")
	}
}

func (w *worths) check() {
	if len(w.coins) > 1 {
		s := w.first[len(w.first)-1]
		s.fail("worth", "does not compare with %s.worth: plain numbers, or money of one currency, throughout", w.first[0].path)
	}
}
