package actions

import (
	"sort"
	"time"
)

// A Supply is the premises' connection.
type Supply struct {
	LimitW      float64 // per phase: the service fuse or the lower figure to be kept, at VoltageV; 0: no limit given
	VoltageV    float64
	Phases      int     // 1 or 3
	OtherLoadsW float64 // allowance for the rest of the premises, over all phases
	OtherLoads  *Ref    // the point that reads the whole import instead; nil: the figure counts
}

// A Link is one conversation with one gateway or box.
type Link struct {
	Name     string
	URL      string // picks the protocol; carries no password
	Protocol string // mqtt | http | modbus | ocpp | exec

	Spacing time.Duration // least time between two commands, counted from the end of a send
	Timeout time.Duration // of one exchange
	Confirm time.Duration // until a read-back shows the value
	Tries   int           // of one command

	User     string
	Password Secret
	Token    Secret // HTTP bearer
	Digest   bool   // HTTP digest in place of basic
	CAFile   string
	CertFile string // client certificate
	KeyFile  string
	PinSHA   string // HTTP: SHA-256 of the server certificate, hex
	ClientID string // MQTT; "" makes one
	// StatusTopic is where an MQTT link keeps "online" or, by its last will, "offline", retained; "" for nowhere.
	StatusTopic string
	Headers     map[string]string
	Dir         string   // exec
	Env         []string // exec, NAME=value
}

// A Secret prints as dots, so that no log shows it.
type Secret string

// String returns dots, or "" where there is no secret.
func (s Secret) String() string {
	if s == "" {
		return ""
	}
	return "••••"
}

// MarshalText keeps secrets out of JSON.
func (s Secret) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// Premises is what stands behind one supply, and what is done with it. It is read-only once made: planner, runner and
// publisher share it.
type Premises struct {
	Identity   string // random, and kept: sets these premises apart from others that are set up alike; "": what they consist of does
	Zone       *time.Location
	Margin     time.Duration // lead-ins are confirmed this long before the window
	Supply     Supply
	Links      []Link      // sorted by name
	Devices    []Device    // sorted by name
	Procedures []Procedure // sorted by name
}

// Link returns the link called name, or nil.
func (p *Premises) Link(name string) *Link {
	return find(p.Links, name, func(l *Link) string { return l.Name })
}

// Device returns the device called name, or nil.
func (p *Premises) Device(name string) *Device {
	return find(p.Devices, name, func(d *Device) string { return d.Name })
}

// Procedure returns the procedure called name, or nil.
func (p *Premises) Procedure(name string) *Procedure {
	return find(p.Procedures, name, func(q *Procedure) string { return q.Name })
}

// Point returns the point that r names, or nil.
func (p *Premises) Point(r Ref) *Point {
	if d := p.Device(r.Device); d != nil {
		return d.Point(r.Point)
	}
	return nil
}

// find searches without copying elements, which are large.
func find[T any](sorted []T, name string, key func(*T) string) *T {
	i := sort.Search(len(sorted), func(i int) bool { return key(&sorted[i]) >= name })
	if i == len(sorted) || key(&sorted[i]) != name {
		return nil
	}
	return &sorted[i]
}
