package actions

import (
	"fmt"
	"strings"
	"time"
)

// A Ref names a point: device and point name, written "device.point".
type Ref struct {
	Device, Point string
}

// ParseRef reads "device.point".
func ParseRef(s string) (Ref, error) {
	d, p, ok := strings.Cut(s, ".")
	if !ok || d == "" || p == "" || strings.Contains(p, ".") {
		return Ref{}, fmt.Errorf("%q is no point: write device.point", s)
	}
	return Ref{d, p}, nil
}

// String returns "device.point".
func (r Ref) String() string { return r.Device + "." + r.Point }

// Compare orders refs by device, then point.
func (r Ref) Compare(o Ref) int {
	if c := strings.Compare(r.Device, o.Device); c != 0 {
		return c
	}
	return strings.Compare(r.Point, o.Point)
}

// MarshalText and UnmarshalText let a Ref be a JSON map key. The zero Ref is "".
func (r Ref) MarshalText() ([]byte, error) {
	if r == (Ref{}) {
		return nil, nil
	}
	return []byte(r.String()), nil
}

// UnmarshalText reads what [Ref.MarshalText] writes.
func (r *Ref) UnmarshalText(b []byte) (err error) {
	if *r = (Ref{}); len(b) > 0 {
		*r, err = ParseRef(string(b))
	}
	return err
}

// A Kind says what sort of thing a device is, and so which sums apply to it.
type Kind string

// The kinds of device.
const (
	Battery Kind = "battery"
	Vehicle Kind = "vehicle"
	Tank    Kind = "tank"
	Load    Kind = "load"
)

// A Device is something behind a link, with the figures that the sums need. Zero figures are unknown.
type Device struct {
	Name    string
	Link    string
	Kind    Kind
	Enabled bool

	Phase        int     // 1 to 3; 0: all phases alike
	PowerW       float64 // most it can draw, electrical
	DischargeW   float64 // most it can give back
	CapacityWh   float64
	Efficiency   float64 // charging, one way; 1 where not given
	FloorPercent float64 // never discharged below
	VolumeL      float64
	COP          float64 // of the heat source; 1 where not given
	Target       float64 // battery, vehicle: percent (100 where not given); tank: °C
	HasTarget    bool
	Level        string  // name of the point that reads % or °C; "" where there is none
	NeedWh       float64 // a vehicle's; counts where NeedPoint is ""
	NeedPoint    string  // name of the point that reads the need, in Wh or kWh by its unit
	CurrentMinA  float64 // a vehicle's, 6 where not given (IEC 61851-1)
	CurrentMaxA  float64 // 32 where not given

	Ready      string  // local time "07:30" by which Target must be reached; "" for none
	Reserve    float64 // tank: °C, battery: percent, kept for the household
	HasReserve bool
	Worth      float64 // weight of its energy in sharing; 1 where not given
	MakeRoom   bool    // "auto": work out how much to empty beforehand
	MinOn      time.Duration
	MinOff     time.Duration
	MinHold    time.Duration
	Hygiene    Hygiene

	Points []Point // sorted by name
}

// Hygiene asks that a tank reaches ReachC at least every Every. A zero Every asks nothing.
type Hygiene struct {
	ReachC float64
	Every  time.Duration
}

// Point returns the point called name, or nil.
func (d *Device) Point(name string) *Point {
	return find(d.Points, name, func(p *Point) string { return p.Ref.Point })
}

// A Point is one readable and/or writable value of a device.
type Point struct {
	Ref   Ref
	Write *Address // nil: cannot be written
	Read  *Address // nil: cannot be read; what is written is assumed

	Values    []NamedValue // the names it takes, sorted by name; empty for a number
	Unit      string       // "" for named values and bare numbers
	Min, Max  float64      // in Unit
	HasRange  bool
	Normal    Value // configured; unknown: captured before the first hold
	Tolerance Tolerance
	Draws     Draws
	Protects  bool          // never held
	Open      bool          // may be set by a statement in an event's description
	Lasts     time.Duration // a value other than normal ends by itself after this; 0: it stays
}

// Value returns the named value called name, or nil.
func (p *Point) Value(name string) *NamedValue {
	for i := range p.Values {
		if p.Values[i].Name == name {
			return &p.Values[i]
		}
	}
	return nil
}

// A NamedValue ties a name to its wire form: a string, bool, int64 or float64.
type NamedValue struct {
	Name string
	Wire any
}

// Draws says what holding a point at a value draws. The zero Draws leaves it to the rules of the sums (a number in W, kW
// or A draws itself; the on/off point of a tank or load draws the device's power).
type Draws struct {
	None   bool               // draws = false: a limit or a cap
	ByName map[string]float64 // W by named value
}

// An Address says how a link's protocol reaches one value. Which fields count depends on the protocol; {value} in Body,
// Path, Headers and Args stands for the value's wire form, {seconds}, {minutes} and {until} for when it is to end.
type Address struct {
	// MQTT.
	Topic  string
	Retain bool
	QoS    byte
	// HTTP: Method is PUT for writes and GET for reads where not given; Path is relative to the link's URL.
	Method  string
	Path    string
	Headers map[string]string
	// MQTT and HTTP: the payload; "" writes the bare wire form.
	Body string
	// OCPP: what 1 A of a limit is in W, for chargers that take limits in W only; 0: not known.
	WPerA float64
	// exec: program and arguments, no shell.
	Args []string
	// Modbus.
	Register *Register
	// What is read, by JSONPath (RFC 9535); "" takes the whole.
	Pick string
	// Of a write: the longest that the box keeps a value before it ends it by itself, and so how long it is given one for;
	// 0: it keeps it. How long it is told by {seconds}, {minutes} or {until} in Body, Path, Headers and Args, by Timer, or,
	// where none of them is there, knows by itself.
	Lasts time.Duration
	// Modbus: the register that takes the time, in seconds before its scale; nil for none.
	Timer *Register
}

// A Register addresses a Modbus value, by number or by SunSpec model and name.
type Register struct {
	Table  string // holding | input | coil | discrete; "" with Model
	Number uint16 // zero-based, as on the wire
	Type   string // int16 | uint16 | int32 | uint32 | float32
	Scale  float64
	Offset float64
	Words  string // high (first word is the high one, the default) | low
	Bit    int    // -1: the whole register
	Length int    // registers of a string
	Model  uint16 // SunSpec
	Name   string // SunSpec point
	Nth    int    // of several such models in the box, the one to take, from 1; 0: the first
}
