package house

import (
	"time"

	"spillway/actions"
)

// The workshop's link, and the devices behind it.
const (
	LinkWorkshop = "workshop" // an HTTP box for all of it

	WorkshopBattery = "workshop_battery"
	HeatPump        = "heat_pump"
	Dryer           = "dryer"
)

// The figures of the workshop.
const (
	WorkshopBatteryWh = 8000
	WorkshopBatteryW  = 3000
	HeatPumpW         = 2000
	DryerW            = 700

	bufferUseW = 1500 // heat that the workshop's floor takes out of the buffer, all day
)

// A Workshop is how an outbuilding's devices stand when it is put in: how full they are, in percent and °C, and what is on.
type Workshop struct {
	Battery  float64
	BufferC  float64
	HeatPump bool
	Dryer    bool
}

// AddWorkshop puts an outbuilding on the premises: a battery that is told a power in W, below zero to give back, and keeps to
// no floor of its own; a heat pump with a buffer tank, which heats by its thermostat while it is on; and a dryer. It comes
// after everything else: what stood before is as it was. How it stands then are the normals. Only simulations without
// sockets have it: no box answers for it over HTTP.
func (s *Site) AddWorkshop(w Workshop) {
	b := &signedBattery{Battery: Battery{CapacityWh: WorkshopBatteryWh, PowerW: WorkshopBatteryW, Efficiency: 0.95, ChargeLimit: 100}}
	b.StoredWh = b.CapacityWh * w.Battery / 100
	tank := &Tank{VolumeL: 300, PowerW: HeatPumpW, COP: 3, TargetC: 50, BandK: 5, LossW: 60, UseW: bufferUseW, Heating: heatingWhen(w.HeatPump), TempC: w.BufferC}
	dryer := &plainLoad{w: DryerW, on: w.Dryer}
	s.parts = append(s.parts, named{name: WorkshopBattery, part: b}, named{name: HeatPump, part: tank}, named{name: Dryer, part: dryer})

	first := len(s.cells)
	power := number(LinkWorkshop, WorkshopBattery, "power", &b.setW, -b.PowerW, b.PowerW, 300)
	s.add(power)
	s.add(gauge(LinkWorkshop, WorkshopBattery, "charge_level", b.Level))
	s.add(switched(HeatPump, func() bool { return tank.Heating == Programme }, func(on bool) { tank.Heating = heatingWhen(on) }, !w.HeatPump))
	s.add(gauge(LinkWorkshop, HeatPump, "temperature", func() float64 { return tank.TempC }))
	s.add(switched(Dryer, func() bool { return dryer.on }, func(on bool) { dryer.on = on }, !w.Dryer))
	for _, c := range s.cells[first:] {
		c.normal = c.get()
	}
	s.levels = map[string]func() float64{WorkshopBattery: b.Level, HeatPump: func() float64 { return tank.TempC }}
	s.flow()
}

func heatingWhen(on bool) Mode {
	if on {
		return Programme
	}
	return Standby
}

// switched is the setting "run" of a device that is on or off.
func switched(device string, get func() bool, set func(on bool), wakesOn bool) *cell {
	return &cell{
		ref: actions.Ref{Device: device, Point: "run"}, link: LinkWorkshop, names: []string{"on", "off"}, wakes: onOff(wakesOn),
		get: func() actions.Value { return onOff(get()) },
		set: func(v actions.Value) { set(v.Name == "on") },
	}
}

// A signedBattery is told what it draws, or gives back where that is below zero, until it is full or empty.
type signedBattery struct {
	Battery
	setW float64
}

// Draw returns the power it was told, while there is room or something left.
func (b *signedBattery) Draw(float64) float64 {
	if b.setW > 0 && b.room() > batterySlackWh || b.setW < 0 && b.spare() > batterySlackWh {
		return b.setW
	}
	return 0
}

// A plainLoad draws while it is on.
type plainLoad struct {
	w  float64
	on bool
}

// Draw returns its power while it is on.
func (l *plainLoad) Draw(float64) float64 {
	if l.on {
		return l.w
	}
	return 0
}

// Lasts returns forever: nothing but a switch ends it.
func (l *plainLoad) Lasts(float64) time.Duration { return forever }

// Take changes nothing.
func (l *plainLoad) Take(float64, time.Duration) {}
