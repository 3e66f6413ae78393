package plan

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/statement"
)

// at reads an instant of the invented day the tests play on: "13:00", "13:00:15", "+1 13:00" a day later.
func at(s string) time.Time {
	day := 0
	if n, err := fmt.Sscanf(s, "+%d ", &day); n == 1 && err == nil {
		s = s[strings.Index(s, " ")+1:]
	}
	if strings.Count(s, ":") == 1 {
		s += ":00"
	}
	t, err := time.Parse(time.DateTime, "2026-06-10 "+s)
	if err != nil {
		panic(err)
	}
	return t.AddDate(0, 0, day)
}

func ref(s string) actions.Ref {
	r, err := actions.ParseRef(s)
	if err != nil {
		panic(err)
	}
	return r
}

func names(list ...string) []actions.NamedValue {
	slices.Sort(list)
	var out []actions.NamedValue
	for _, n := range list {
		out = append(out, actions.NamedValue{Name: n, Wire: n})
	}
	return out
}

// A pt is a point in short: it is written and read unless it says otherwise.
type pt struct {
	name     string
	values   string // separated by spaces
	unit     string
	min, max float64
	normal   string
	readOnly bool
	draws    actions.Draws
	lasts    time.Duration
	protects bool
	open     bool
}

func device(d actions.Device, points ...pt) actions.Device {
	d.Enabled = true
	for _, p := range points {
		x := actions.Point{
			Ref: actions.Ref{Device: d.Name, Point: p.name}, Read: &actions.Address{}, Unit: p.unit, Values: names(strings.Fields(p.values)...),
			Min: p.min, Max: p.max, HasRange: p.max != 0, Draws: p.draws, Lasts: p.lasts, Protects: p.protects, Open: p.open,
			Tolerance: actions.Tolerance{Percent: 1},
		}
		if !p.readOnly {
			x.Write = &actions.Address{}
		}
		if p.normal != "" {
			x.Normal = value(p.normal, &x)
		}
		d.Points = append(d.Points, x)
	}
	slices.SortFunc(d.Points, func(a, b actions.Point) int { return strings.Compare(a.Ref.Point, b.Ref.Point) })
	return d
}

func value(s string, p *actions.Point) actions.Value {
	if x, err := strconv.ParseFloat(s, 64); err == nil {
		return actions.Number(x)
	}
	v, err := statement.ParseValue(s, p)
	if err != nil {
		panic(err)
	}
	return v
}

// smallholding is the premises most tests play on.
func smallholding() *actions.Premises {
	p := &actions.Premises{
		Zone:   time.UTC,
		Margin: 30 * time.Second,
		Supply: actions.Supply{LimitW: 13800, VoltageV: 230, Phases: 1, OtherLoadsW: 800},
		Links: []actions.Link{
			{Name: "barn", Spacing: 15 * time.Second, Confirm: 10 * time.Second, Tries: 3},
			{Name: "boiler_house", Confirm: 10 * time.Second, Tries: 3},
			{Name: "yard", Spacing: 5 * time.Second, Confirm: 10 * time.Second, Tries: 3},
		},
		Devices: []actions.Device{
			device(actions.Device{Name: "barn_battery", Link: "barn", Kind: actions.Battery, CapacityWh: 13500, PowerW: 5000,
				Efficiency: 0.95, FloorPercent: 10, Level: "charge_level"},
				pt{name: "mode", values: "own_use charge idle"},
				pt{name: "charge_power", unit: "W", max: 5000},
				pt{name: "charge_level", unit: "%", readOnly: true}),
			device(actions.Device{Name: "cylinder", Link: "boiler_house", Kind: actions.Tank, VolumeL: 210, Target: 55, HasTarget: true,
				PowerW: 1100, COP: 2.6, Level: "temperature"},
				pt{name: "boost", values: "on off", normal: "off"},
				pt{name: "temperature", unit: "°C", readOnly: true}),
			device(actions.Device{Name: "ice_bank", Link: "barn", Kind: actions.Load, PowerW: 2200},
				pt{name: "run", values: "on off", normal: "off"},
				pt{name: "cutout", values: "open closed", protects: true}),
			device(actions.Device{Name: "van", Link: "yard", Kind: actions.Vehicle, CapacityWh: 60000, Level: "charge_level"},
				pt{name: "current", unit: "A", max: 32, normal: "16 A", open: true},
				pt{name: "plugged", values: "yes no", readOnly: true},
				pt{name: "charge_level", unit: "%", readOnly: true}),
		},
	}
	return p
}

// A proc is a procedure in short.
type proc struct {
	name      string
	rank      int
	direction actions.Direction
	leadIn    []string
	during    []string
	restore   []string
}

func procedures(p *actions.Premises, list ...proc) *actions.Premises {
	for _, c := range list {
		p.Procedures = append(p.Procedures, actions.Procedure{Name: c.name, Rank: c.rank, Direction: c.direction, Longest: 24 * time.Hour,
			LeadIn: statements(p, actions.PhaseLeadIn, c.leadIn), During: statements(p, actions.PhaseDuring, c.during),
			Restore: statements(p, actions.PhaseRestore, c.restore)})
	}
	slices.SortFunc(p.Procedures, func(a, b actions.Procedure) int { return strings.Compare(a.Name, b.Name) })
	return p
}

func statements(p *actions.Premises, phase actions.Phase, lines []string) (out []actions.Statement) {
	for _, text := range lines {
		raw, err := statement.Parse(text)
		if err != nil {
			panic(err)
		}
		s, err := statement.Resolve(raw, phase, p.Point)
		if err != nil {
			panic(err)
		}
		out = append(out, s)
	}
	return out
}

// win makes a window; its id and uid are the name.
func win(name, procedure, start, end string) actions.Window {
	return actions.Window{ID: name, UID: name, Procedure: procedure, Title: "Window " + name, Start: at(start), End: at(end)}
}

func readings(p *actions.Premises, now time.Time, list ...string) actions.Readings {
	r := actions.Readings{}
	for _, s := range list {
		name, v, _ := strings.Cut(s, "=")
		point := p.Point(ref(name))
		if point == nil {
			panic(name)
		}
		r[point.Ref] = actions.Reading{Value: value(v, point), At: now}
	}
	return r
}

// dump writes a plan as people read it in the golden files.
func dump(p *actions.Plan) string {
	var b strings.Builder
	day := p.At.Truncate(24 * time.Hour)
	clock := func(t time.Time) string {
		s := t.Format("15:04:05")
		if d := int(t.Truncate(24*time.Hour).Sub(day) / (24 * time.Hour)); d != 0 {
			s = fmt.Sprintf("%+d %s", d, s)
		}
		return s
	}
	fmt.Fprintf(&b, "plan at %s\n", clock(p.At))
	for _, w := range p.Windows {
		fmt.Fprintf(&b, "\nwindow %s: %s to %s, %s, lead-in %s, done %s, peak %v of %v kW\n", w.ID, clock(w.Start), clock(w.End), w.State,
			clock(w.LeadIn), clock(w.Done), w.PeakKW, w.LimitKW)
		for _, e := range w.Energy {
			fmt.Fprintf(&b, "  takes %v kWh: %s\n", e.KWh, e.Device)
		}
		for _, s := range w.Problems {
			fmt.Fprintf(&b, "  problem: %s\n", s)
		}
	}
	b.WriteString("\nsteps\n")
	for _, s := range p.Steps {
		release := ""
		if s.Release {
			release = " (gives back)"
		}
		fmt.Fprintf(&b, "  %s %-8s %s = %s, was %s%s\n           %s of %s: %s\n", clock(s.At), s.Phase, s.Point, s.Value, s.From, release, s.ID, s.Window, s.Why)
	}
	b.WriteString("\nprofile\n")
	for _, s := range p.Profile {
		fmt.Fprintf(&b, "  %s to %s phase %d %6.3f kW %s\n", clock(s.From), clock(s.To), s.Phase, s.KW, s.Device)
	}
	return b.String()
}

// stepLines lists the steps in short: "13:00:00 barn_battery.mode=charge".
func stepLines(p *actions.Plan) (out []string) {
	for _, s := range p.Steps {
		out = append(out, s.At.Format("15:04:05")+" "+s.Point.String()+"="+s.Value.String())
	}
	return out
}

func problems(p *actions.Plan, id string) string {
	if w := p.Window(id); w != nil {
		return strings.Join(w.Problems, "\n")
	}
	return "no window " + id
}

func mustContain(t *testing.T, text, part string) {
	t.Helper()
	if !strings.Contains(text, part) {
		t.Errorf("%q does not say %q", text, part)
	}
}
