package house

import (
	"math/rand/v2"
	"time"

	"spillway/actions"
)

// The figures of Quillmere. The configuration that [Site.Config] writes has the same.
const (
	FuseA    = 60
	VoltageV = 230
	Zone     = "Europe/London" // Nether Sallow is invented, its clock is not

	gatewaySpacing = 15 * time.Second // common practice, no source
)

// Levels are how full everything is when a simulation begins. Percent, °C and kWh.
type Levels struct {
	Barn, House, Ice float64
	CylinderC        float64
	VanNeedKWh       float64
	VanAway          bool
}

// StoryLevels leave room in everything, so that a night has something to do.
func StoryLevels() Levels {
	return Levels{Barn: 28, House: 20, Ice: 66, CylinderC: 51, VanNeedKWh: 14}
}

// A Site is the premises without a clock and without sockets. Time moves when a method is told a later one. It is not
// safe for concurrent use.
type Site struct {
	seed uint64
	zone *time.Location
	rng  *rand.Rand
	now  time.Time

	household Household
	cylinder  Tank
	ice       IceBank
	van       Vehicle
	barn      Battery
	house     Battery
	parts     []named
	boostEnds time.Time

	meter    Meter
	importW  float64
	cells    []*cell
	gateways map[string]*Gateway
	ledger   Ledger
	jobs     []job
	faults   []*Fault
	outbox   []Message
	levels   map[string]func() float64 // of what was added: see [Site.AddWorkshop]
}

type named struct {
	name string
	part part
	w    float64 // now
	wh   float64 // taken less given since the beginning
}

// A Message is what a gateway tells over the broker, retained. Without a topic it is a restart of the broker, which
// throws its clients off.
type Message struct {
	Topic   string
	Payload string
}

// NewSite returns the premises at start. The same seed, levels and calls give the same premises.
func NewSite(start time.Time, seed uint64, l Levels) (*Site, error) {
	zone, err := time.LoadLocation(Zone)
	if err != nil {
		return nil, err
	}
	s := &Site{
		seed:      seed,
		zone:      zone,
		rng:       rand.New(rand.NewPCG(seed, 0x5157)),
		now:       start.UTC(),
		household: Household{Seed: seed},
		meter:     Meter{FuseW: FuseA * VoltageV, since: start.UTC()},
		gateways:  map[string]*Gateway{LinkBarn: {Spacing: gatewaySpacing}, LinkHouse: {Spacing: gatewaySpacing}},
	}
	s.furnish(l)
	s.wire()
	for _, c := range s.cells {
		c.normal = c.get()
	}
	s.minute()
	s.announce("")
	return s, nil
}

// furnish puts the devices in, in the order in which a battery in own use sees them: it covers what stands before it.
func (s *Site) furnish(l Levels) {
	s.cylinder = Tank{VolumeL: 210, PowerW: 1100, COP: 2.6, TargetC: 55, BandK: 5, LossW: 70, Heating: Programme, TempC: l.CylinderC}
	s.ice = IceBank{CapacityWh: 200 * meltWhPerKg, PowerW: 2200, COP: 2.5, MeltW: 500, Low: 55, High: 70, Mode: Own}
	s.ice.ColdWh = s.ice.CapacityWh * l.Ice / 100
	s.van = Vehicle{VoltageV: VoltageV, TimerA: 10, Control: Local, Plugged: !l.VanAway, NeedWh: l.VanNeedKWh * 1000}
	s.barn = Battery{CapacityWh: 13500, PowerW: 5000, Efficiency: 0.95, Floor: 10, Mode: OwnUse, ChargePowerW: 2500, ChargeLimit: 85}
	s.barn.StoredWh = s.barn.CapacityWh * l.Barn / 100
	s.house = Battery{CapacityWh: 9600, PowerW: 3600, Efficiency: 0.94, Floor: 10, Mode: OwnUse, ChargePowerW: 1500, ChargeLimit: 80}
	s.house.StoredWh = s.house.CapacityWh * l.House / 100
	s.parts = []named{
		{name: "", part: &s.household},
		{name: Cylinder, part: &s.cylinder},
		{name: IceBankName, part: &s.ice},
		{name: Van, part: &s.van},
		{name: BarnBattery, part: &s.barn},
		{name: HouseBattery, part: &s.house},
	}
}

// Now returns the time that the premises have reached.
func (s *Site) Now() time.Time { return s.now }

// Advance moves the premises on to to, and does nothing where that is past.
func (s *Site) Advance(to time.Time) {
	to = to.UTC()
	for s.now.Before(to) {
		next := s.now.Truncate(time.Minute).Add(time.Minute)
		next = actions.Earlier(next, to)
		if len(s.jobs) > 0 {
			next = actions.Earlier(next, s.jobs[0].at)
		}
		total := s.flow()
		for i := range s.parts {
			if d := s.parts[i].part.Lasts(s.parts[i].w); d != forever {
				next = actions.Earlier(next, s.now.Add(d))
			}
		}
		s.take(next, total)
		if s.now.Equal(s.now.Truncate(time.Minute)) {
			s.minute()
		}
		s.runJobs()
	}
	s.runJobs()
	s.flow()
}

// flow works out what everything draws now and returns the sum.
func (s *Site) flow() float64 {
	total := 0.0
	for i := range s.parts {
		p := &s.parts[i]
		p.w = p.part.Draw(total)
		total += p.w
	}
	s.importW = total
	return total
}

func (s *Site) take(next time.Time, total float64) {
	d := next.Sub(s.now)
	if d <= 0 {
		return
	}
	for i := range s.parts {
		p := &s.parts[i]
		p.part.Take(p.w, d)
		p.wh += p.w * d.Hours()
	}
	s.meter.take(s.now, next, total)
	s.now = next
}

// Still reports whether nothing but levels and draws changes up to to by itself, so that [Site.Advance] can wait until somebody
// looks at those.
func (s *Site) Still(to time.Time) bool { return len(s.jobs) == 0 || s.jobs[0].at.After(to) }

// Due returns when something will happen by itself that others may see: at the next whole minute, or before.
func (s *Site) Due() time.Time {
	due := s.now.Truncate(time.Minute).Add(time.Minute)
	if len(s.jobs) > 0 {
		due = actions.Earlier(due, s.jobs[0].at)
	}
	return due
}

// Drain returns what the gateways have told since the last call.
func (s *Site) Drain() []Message {
	out := s.outbox
	s.outbox = nil
	return out
}

// A Snapshot is what the premises draw at one instant and how full everything is.
type Snapshot struct {
	At      time.Time
	ImportW float64
	DrawW   map[string]float64 // by device, negative where it gives; "" is the household
	Wh      map[string]float64 // taken less given since the beginning, likewise
	Level   map[string]float64 // batteries and ice in percent, cylinder in °C, van: kWh it still needs
	Plugged bool
}

// Snapshot returns what is so now.
func (s *Site) Snapshot() Snapshot {
	s.flow()
	snap := Snapshot{
		At: s.now, ImportW: s.importW, DrawW: map[string]float64{}, Wh: map[string]float64{},
		Level: map[string]float64{
			BarnBattery: s.barn.Level(), HouseBattery: s.house.Level(), IceBankName: s.ice.Level(),
			Cylinder: s.cylinder.TempC, Van: s.van.NeedWh / 1000,
		},
		Plugged: s.van.Plugged,
	}
	for name, level := range s.levels {
		snap.Level[name] = level()
	}
	for _, p := range s.parts {
		snap.DrawW[p.name], snap.Wh[p.name] = p.w, p.wh
	}
	return snap
}

// Ledger returns a copy of everything that reached the devices.
func (s *Site) Ledger() Ledger { return append(Ledger(nil), s.ledger...) }

// Metered returns the half hours that the meter has counted from beginning to end, those of [Site.Remember] first.
func (s *Site) Metered() []Slot { return s.meter.whole(s.now) }

// Excess returns when the import was above the service fuse.
func (s *Site) Excess() []Excess { return append([]Excess(nil), s.meter.excess...) }

// Peak returns the highest import and when it began.
func (s *Site) Peak() (w float64, at time.Time) { return s.meter.peakW, s.meter.peakAt }

// Gateway returns the counts of the gateway of a link; the zero Gateway for a link without one.
func (s *Site) Gateway(link string) Gateway {
	if g := s.gateways[link]; g != nil {
		return *g
	}
	return Gateway{}
}

// Normals returns every setting as it was at the beginning.
func (s *Site) Normals() map[actions.Ref]actions.Value {
	return s.settings(func(c *cell) actions.Value { return c.normal })
}

// Settings returns every setting as it is at the device now, whatever its read-back says.
func (s *Site) Settings() map[actions.Ref]actions.Value {
	return s.settings(func(c *cell) actions.Value { return c.get() })
}

// Hands returns what a person set last, by point.
func (s *Site) Hands() map[actions.Ref]actions.Value {
	all := s.settings(func(c *cell) actions.Value { return c.hand })
	for ref, v := range all {
		if !v.Known {
			delete(all, ref)
		}
	}
	return all
}

// Astray returns the settings that are neither at their normal nor where a hand left them.
func (s *Site) Astray() map[actions.Ref]actions.Value {
	all := s.Settings()
	for _, c := range s.cells {
		if v := all[c.ref]; v == c.normal || v == c.hand {
			delete(all, c.ref)
		}
	}
	return all
}

func (s *Site) settings(of func(*cell) actions.Value) map[actions.Ref]actions.Value {
	all := map[actions.Ref]actions.Value{}
	for _, c := range s.cells {
		if c.set != nil {
			all[c.ref] = of(c)
		}
	}
	return all
}
