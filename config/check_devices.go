package config

import (
	"fmt"
	"strings"

	"spillway/actions"
	"spillway/actions/statement"
)

// devices says of each device whether the sums have what they need, and of each point whether it can be given back.
func (k *checker) devices() {
	for i := range k.p.Devices {
		d := &k.p.Devices[i]
		before := len(k.found)
		k.figures(d)
		k.water(d)
		k.leastTimes(d)
		k.room(d)
		for j := range d.Points {
			k.point(d, &d.Points[j])
		}
		if len(k.found) == before {
			k.add(OK, "devices."+d.Name, "", "%s with %s", d.Kind, counted(len(d.Points), "point"))
		}
	}
}

func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// figures says what the sums lack.
func (k *checker) figures(d *actions.Device) {
	var missing []string
	lack := func(when bool, what string) {
		if when {
			missing = append(missing, what)
		}
	}
	switch d.Kind {
	case actions.Battery:
		lack(d.CapacityWh == 0, "capacity")
		lack(d.Level == "", "level")
	case actions.Vehicle:
		need := d.NeedWh > 0 || d.NeedPoint != ""
		lack(d.CapacityWh == 0 && !need, "capacity")
		lack(d.Level == "" && !need, "level or need")
	case actions.Tank:
		lack(d.VolumeL == 0, "volume")
		lack(!d.HasTarget, "target")
		lack(d.Level == "", "level")
	}
	for i := range d.Points {
		lack(d.Unfigured(&d.Points[i]), "power")
	}
	if len(missing) > 0 {
		k.add(Note, "devices."+d.Name, "write "+strings.Join(missing, ", "),
			"figures are missing: where the sums need them it is left out of them")
	}
}

// water warns where a tank gets hot enough to scald. Water of 60 °C burns an adult's skin through in about 5 s
// (antiscald.com: 3 s to a second-degree burn, 5 s to a third-degree one).
func (k *checker) water(d *actions.Device) {
	if d.Kind == actions.Tank && d.HasTarget && d.Target >= 60 {
		k.add(Note, "devices."+d.Name+".target", "see to it that a mixing valve is fitted", "water of %s scalds within seconds at the tap",
			statement.Quantity{Number: d.Target, Unit: "°C"})
	}
}

// point says whether a point that is held can be given back, and what must be asked before it is held.
func (k *checker) point(d *actions.Device, p *actions.Point) {
	by := k.held(p.Ref)
	if p.Open {
		by = append(by, "events")
	}
	if len(by) == 0 {
		return
	}
	where := "devices." + d.Name + ".points." + p.Ref.Point
	heldBy := strings.Join(by, ", ")
	switch {
	case p.Normal.Known:
	case p.Lasts > 0 || k.lent(d, p) || k.boosts(d, p):
		k.add(Note, where, "write normal = "+sample(p), "held by %s; its value ends by itself, so what is read before the first hold may be no normal", heldBy)
	default:
		k.add(OK, where, "", "held by %s; its normal is read before the first hold", heldBy)
	}
	if p.Draws.None || p.HasRange && p.Min < 0 && power(p.Unit) {
		k.add(Note, where, "ask what the connection agreement allows, and write protects = true where it must stay",
			"held by %s; releasing an export limit or raising a charge rate may breach a connection agreement", heldBy)
	}
}

// lent reports whether the point's box is given each value for a time only. A charger's limit is too, and what it reads as
// without one is known.
func (k *checker) lent(d *actions.Device, p *actions.Point) bool {
	l := k.p.Link(d.Link)
	return p.Write != nil && p.Write.Lasts > 0 && l != nil && l.Protocol != "ocpp"
}

// boosts reports whether a point is the on/off point of a tank, which on many boxes ends by itself.
func (k *checker) boosts(d *actions.Device, p *actions.Point) bool {
	return d.Kind == actions.Tank && len(p.Values) == 2 && p.Value("on") != nil && p.Value("off") != nil
}

func power(unit string) bool { return unit == "W" || unit == "kW" || unit == "A" }

// sample shows how a normal of p is written.
func sample(p *actions.Point) string {
	if len(p.Values) == 0 {
		return fmt.Sprintf("%q", statement.Quantity{Number: 0, Unit: p.Unit})
	}
	if p.Value("off") != nil {
		return `"off"`
	}
	return fmt.Sprintf("%q", p.Values[0].Name)
}
