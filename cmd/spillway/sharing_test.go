package main

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"math/rand"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// A sharingCase is premises on which devices share, in half hours, written both as a configuration with a calendar and as a
// program for a solver.
type sharingCase struct {
	phases  int
	kva     float64 // kW, per phase
	spacing int     // s
	confirm int     // s
	windows [][2]int
	devices []sharingDevice
}

// A sharingDevice takes part in some of the windows.
type sharingDevice struct {
	kind    string  // battery: any power; tank, load: on or off; vehicle: whole amperes; fixed: a load that is not shared
	kw      float64 // most; of a vehicle by its amperes
	kwh     float64 // 0: without end
	amperes int
	phase   int // 0: all
	windows []int
}

func (d sharingDevice) on(phase, phases int) bool {
	return phases == 1 || d.phase == 0 || d.phase == phase
}

func (d sharingDevice) parts(phases int) float64 {
	if phases == 3 && d.phase == 0 {
		return 3
	}
	return 1
}

func (d sharingDevice) name(i int) string { return fmt.Sprintf("%s%d", d.kind, i) }

// half is the instant so many half hours into the case.
func half(n int) time.Time {
	return time.Date(2026, 12, 5, 13, 0, 0, 0, time.UTC).Add(time.Duration(n) * 30 * time.Minute)
}

// config writes the premises, and the readings that go with them.
func (c sharingCase) config() (text string, readings []string) {
	var b strings.Builder
	fmt.Fprintf(&b, "timezone = \"UTC\"\n[supply]\nlimit = \"%.12f A\"\nvoltage = \"230 V\"\nphases = %d\n[feeds.house]\nurl = \"house.ics\"\n", c.kva/0.23, c.phases)
	during := make([][]string, len(c.windows))
	for i, d := range c.devices {
		n, kind, point := d.name(i), d.kind, "power"
		var normal string
		if kind == "fixed" {
			kind = "load"
		}
		fmt.Fprintf(&b, "[links.%s]\nurl = \"exec:\"\nspacing = \"%ds\"\nconfirm = \"%ds\"\n[devices.%s]\nlink = \"%s\"\nkind = \"%s\"\n", n, c.spacing, cmp.Or(c.confirm, 1), n, n, kind)
		if c.phases == 3 && d.phase > 0 {
			fmt.Fprintf(&b, "phase = %d\n", d.phase)
		}
		value := "auto"
		switch d.kind {
		case "battery":
			fmt.Fprintf(&b, "power = \"%g kW\"\ncapacity = \"%g kWh\"\nlevel = \"level\"\n", d.kw, cmp.Or(d.kwh, 1e4))
			fmt.Fprintf(&b, "[devices.%s.points.level]\nread = [\"true\"]\nunit = \"%%\"\n[devices.%s.points.power]\nunit = \"W\"\nrange = [0, %g]\n", n, n, d.kw*1000)
			readings, normal = append(readings, n+".level=0"), `"0 W"`
		case "vehicle":
			point, normal = "current", `"0 A"`
			fmt.Fprintf(&b, "need = \"%g kWh\"\ncurrent_range = [\"6 A\", \"%d A\"]\n[devices.%s.points.current]\nunit = \"A\"\nrange = [0, 32]\n", cmp.Or(d.kwh, 1e4), d.amperes, n)
		default:
			point, normal = "run", `"off"`
			if value = "auto"; d.kind == "fixed" {
				value = "on"
			}
			fmt.Fprintf(&b, "power = \"%g kW\"\n", d.kw)
			if d.kind == "tank" {
				fmt.Fprintf(&b, "volume = \"%.6f L\"\ntarget = \"60 °C\"\nlevel = \"level\"\n[devices.%s.points.level]\nread = [\"true\"]\nunit = \"°C\"\n", cmp.Or(d.kwh, 1e4)*1000/1.163/10, n)
				readings = append(readings, n+".level=50")
			}
			fmt.Fprintf(&b, "[devices.%s.points.run]\nvalues = [\"on\", \"off\"]\n", n)
		}
		fmt.Fprintf(&b, "write = [\"true\", \"{value}\"]\nnormal = %s\n", normal)
		for _, w := range d.windows {
			during[w] = append(during[w], fmt.Sprintf("%q", n+"."+point+" = "+value))
		}
	}
	for w := range c.windows {
		fmt.Fprintf(&b, "[procedures.p%02d]\nmatch = { title = \"window %02d\" }\ndirection = \"turn-up\"\nrank = %d\nduring = [%s]\n", w, w, w, strings.Join(during[w], ", "))
	}
	return b.String(), readings
}

func (c sharingCase) calendar() string {
	var b strings.Builder
	b.WriteString("BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//test//EN\r\n")
	const stamp = "20060102T150405Z"
	for w, t := range c.windows {
		fmt.Fprintf(&b, "BEGIN:VEVENT\r\nUID:w%02d\r\nDTSTAMP:20260101T000000Z\r\nSUMMARY:Window %02d\r\nDTSTART:%s\r\nDTEND:%s\r\nEND:VEVENT\r\n", w, w,
			half(t[0]).Format(stamp), half(t[1]).Format(stamp))
	}
	return b.String() + "END:VCALENDAR\r\n"
}

// plan asks the command for the plan.
func (c sharingCase) plan(t *testing.T, dir string) planJSON {
	t.Helper()
	text, readings := c.config()
	for name, body := range map[string]string{"spillway.toml": text, "house.ics": c.calendar()} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(body), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	args := []string{"plan", "--json", "--at", "2026-12-05T12:00:00Z", "--config", filepath.Join(dir, "spillway.toml")}
	for _, r := range readings {
		args = append(args, "--reading", r)
	}
	var out, errs bytes.Buffer
	if code := execute(t.Context(), args, streams{In: strings.NewReader(""), Out: &out, Err: &errs}); code != exitFine {
		t.Fatalf("exit %d: %s\n%s", code, errs.String(), text)
	}
	var p planJSON
	if err := json.Unmarshal(out.Bytes(), &p); err != nil {
		t.Fatalf("%v\n%s", err, out.String())
	}
	return p
}

// energy adds up what the shared devices take by the profile, and fails where the sum on a phase is over the limit at any
// instant.
func (c sharingCase) energy(t *testing.T, p planJSON) (kwh float64) {
	t.Helper()
	for _, x := range p.Profile {
		if x.Device != "" && !strings.HasPrefix(x.Device, "fixed") {
			kwh += x.KW * x.To.Sub(x.From).Hours()
		}
		sum := 0.0
		for _, y := range p.Profile {
			if y.Phase == x.Phase && !y.From.After(x.From) && y.To.After(x.From) {
				sum += y.KW
			}
		}
		if sum > c.kva+1e-6 {
			t.Errorf("at %s phase %d carries %v of %v kW", x.From, x.Phase, sum, c.kva)
		}
	}
	return kwh
}

// program writes the case as a mixed integer program in CPLEX LP form.
func (c sharingCase) program() string {
	var goal, rows, bounds, binary, general strings.Builder
	slots := 0
	for _, w := range c.windows {
		slots = max(slots, w[1])
	}
	there := func(d sharingDevice, t int) bool {
		return slices.ContainsFunc(d.windows, func(w int) bool { return c.windows[w][0] <= t && t < c.windows[w][1] })
	}
	goal.WriteString("Maximize\n e: 0 zero")
	for i, d := range c.devices {
		var need []string
		for t := range slots {
			if d.kind == "fixed" || !there(d, t) {
				continue
			}
			p, u, n := fmt.Sprintf("p%d_%d", i, t), fmt.Sprintf("u%d_%d", i, t), fmt.Sprintf("n%d_%d", i, t)
			fmt.Fprintf(&goal, " + 0.5 %s", p)
			need = append(need, "0.5 "+p)
			switch d.kind {
			case "battery":
				fmt.Fprintf(&bounds, " %s <= %v\n", p, d.kw)
			case "vehicle":
				fmt.Fprintf(&rows, " s%s: %s - %v %s = 0\n a%s: %s - 6 %s >= 0\n b%s: %s - %d %s <= 0\n", p, p, 0.23*d.parts(c.phases), n, p, n, u, p, n, d.amperes, u)
				fmt.Fprintf(&bounds, " %s <= %d\n", n, d.amperes)
				fmt.Fprintf(&general, " %s\n", n)
				fmt.Fprintf(&binary, " %s\n", u)
			default:
				fmt.Fprintf(&rows, " s%s: %s - %v %s = 0\n", p, p, d.kw, u)
				fmt.Fprintf(&binary, " %s\n", u)
			}
		}
		if d.kwh > 0 && len(need) > 0 {
			fmt.Fprintf(&rows, " e%d: %s <= %v\n", i, strings.Join(need, " + "), d.kwh)
		}
	}
	for t := range slots {
		for ph := 1; ph <= c.phases; ph++ {
			left, sum := c.kva, []string(nil)
			for i, d := range c.devices {
				switch {
				case !there(d, t) || !d.on(ph, c.phases):
				case d.kind == "fixed":
					left -= d.kw / d.parts(c.phases)
				default:
					sum = append(sum, fmt.Sprintf("%.9f p%d_%d", 1/d.parts(c.phases), i, t))
				}
			}
			if len(sum) > 0 {
				fmt.Fprintf(&rows, " c%d_%d: %s <= %.9f\n", t, ph, strings.Join(sum, " + "), math.Max(0, left))
			}
		}
	}
	return goal.String() + "\nSubject To\n z: zero = 0\n" + rows.String() + "Bounds\n" + bounds.String() + "General\n" + general.String() + "Binary\n" + binary.String() + "End\n"
}

// caps makes a case of half hours in which the shared devices have so much, in kW: a load takes the rest of each half hour.
func caps(list ...float64) (c sharingCase) {
	c.phases, c.kva = 1, slices.Max(list)
	for t, kw := range list {
		if rest := c.kva - kw; rest > 1e-9 {
			c = c.add(sharingDevice{kind: "fixed", kw: math.Round(rest*1e6) / 1e6}, [2]int{t, t + 1})
		}
	}
	return c
}

// add adds a device that is there in half hours.
func (c sharingCase) add(d sharingDevice, in [2]int) sharingCase {
	w := slices.Index(c.windows, in)
	if w < 0 {
		w, c.windows = len(c.windows), append(c.windows, in)
	}
	d.windows = []int{w}
	c.devices = append(c.devices, d)
	return c
}

// The reference instances of FACTS.md section 9, on which glpsol 5.0 and HiGHS 1.15.3 agree, through the command. The solvers
// do not switch inside a half hour, so that the plan may take more.
func TestReferenceSharingsByCommand(t *testing.T) {
	vehicle := func(most int, kwh float64) sharingDevice {
		return sharingDevice{kind: "vehicle", amperes: most, kwh: kwh}
	}
	for name, c := range map[string]struct {
		sharingCase
		want float64
	}{
		"I1": {caps(13.0, 12.6).add(sharingDevice{kind: "battery", kw: 5, kwh: 4}, [2]int{0, 2}).add(sharingDevice{kind: "battery", kw: 3, kwh: 6}, [2]int{0, 2}).
			add(sharingDevice{kind: "battery", kw: 7.36, kwh: 20}, [2]int{0, 2}), 12.8},
		"I2": {caps(7.4, 7.4).add(sharingDevice{kind: "battery", kw: 7, kwh: 3.5}, [2]int{0, 2}).add(sharingDevice{kind: "battery", kw: 7.36, kwh: 99}, [2]int{0, 1}), 7.18},
		"I3": {caps(4, 4).add(sharingDevice{kind: "load", kw: 3}, [2]int{0, 2}).add(vehicle(32, 0), [2]int{0, 2}), 3.91},
		"I4": {caps(7, 7).add(sharingDevice{kind: "load", kw: 3}, [2]int{0, 2}).add(sharingDevice{kind: "load", kw: 2.5}, [2]int{0, 2}).add(vehicle(16, 0), [2]int{0, 2}), 6.88},
		"I5": {caps(13.2, 12.0, 11.4, 13.1).add(sharingDevice{kind: "battery", kw: 5, kwh: 10}, [2]int{0, 4}).add(sharingDevice{kind: "tank", kw: 3, kwh: 5.2325}, [2]int{0, 4}).
			add(sharingDevice{kind: "tank", kw: 2.2, kwh: 4.4}, [2]int{0, 4}).add(vehicle(32, 12), [2]int{1, 4}), 23.35},
		"I6": {sharingCase{phases: 3, kva: 25 * 0.23}.add(sharingDevice{kind: "fixed", kw: 0.92, phase: 1}, [2]int{0, 2}).add(sharingDevice{kind: "fixed", kw: 0.46, phase: 2}, [2]int{0, 2}).
			add(sharingDevice{kind: "fixed", kw: 0.23, phase: 3}, [2]int{0, 2}).add(sharingDevice{kind: "load", kw: 2.99, phase: 1}, [2]int{0, 2}).
			add(sharingDevice{kind: "battery", kw: 3.68, phase: 2}, [2]int{0, 2}).add(vehicle(16, 0), [2]int{0, 2}), 12.65},
		"I8": {caps(5.2, 4.7, 5.5).add(sharingDevice{kind: "load", kw: 3}, [2]int{0, 3}).add(sharingDevice{kind: "load", kw: 2.5}, [2]int{0, 3}).
			add(sharingDevice{kind: "load", kw: 2.2}, [2]int{0, 3}), 7.70},
		"I9": {caps(9, 6, 12).add(sharingDevice{kind: "battery", kw: 7.36, kwh: 6}, [2]int{0, 2}).add(sharingDevice{kind: "battery", kw: 3, kwh: 2.5}, [2]int{0, 3}).
			add(sharingDevice{kind: "battery", kw: 5, kwh: 4}, [2]int{1, 3}), 11.5},
	} {
		t.Run(name, func(t *testing.T) {
			p := c.plan(t, t.TempDir())
			if got := c.energy(t, p); got < 0.99*c.want {
				t.Errorf("%v kWh, the best is %v\n%+v\n%+v", got, c.want, p.Windows, p.Steps)
			}
		})
	}
}

// drawSharing makes one to five devices of all kinds in one or two windows that overlap or touch, beside loads. With time
// between them each window takes what it can, as if nobody knew of the next.
func drawSharing(r *rand.Rand) sharingCase {
	c := sharingCase{phases: 1 + 2*r.Intn(2), kva: math.Round((3+r.Float64()*12)*1000) / 1000, spacing: r.Intn(3), confirm: 1 + 9*r.Intn(2)}
	for n := range 1 + r.Intn(2) {
		begin := r.Intn(3)
		if n > 0 {
			begin = c.windows[0][0] + r.Intn(c.windows[0][1]-c.windows[0][0]+1)
		}
		c.windows = append(c.windows, [2]int{begin, begin + 1 + r.Intn(4)})
	}
	some := func() (list []int) {
		for w := range c.windows {
			if len(c.windows) == 1 || r.Intn(3) > 0 {
				list = append(list, w)
			}
		}
		return list
	}
	for range r.Intn(3) {
		c.devices = append(c.devices, sharingDevice{kind: "fixed", kw: math.Round(r.Float64()*c.kva*400) / 1000, phase: r.Intn(4), windows: some()})
	}
	for range 1 + r.Intn(5) {
		d := sharingDevice{kind: []string{"battery", "load", "tank", "vehicle"}[r.Intn(4)], kw: math.Round((0.5+r.Float64()*7)*100) / 100,
			kwh: math.Round((0.3+r.Float64()*12)*100) / 100, amperes: 6 + r.Intn(27), phase: r.Intn(4), windows: some()}
		if d.kind == "load" {
			d.kwh = 0
		}
		c.devices = append(c.devices, d)
	}
	return c
}

// TestSharingAgainstSolver plans random sharings by the command and compares the energy with what GLPK's solver finds for the
// same program in five seconds. It runs where SPILLWAY_GLPSOL names the solver; SPILLWAY_SEED picks them.
func TestSharingAgainstSolver(t *testing.T) {
	glpsol := os.Getenv("SPILLWAY_GLPSOL")
	if glpsol == "" {
		t.Skip("SPILLWAY_GLPSOL does not name GLPK's solver: .ci/sharing does")
	}
	seed, _ := strconv.ParseInt(cmp.Or(os.Getenv("SPILLWAY_SEED"), "1"), 10, 64)
	count, _ := strconv.Atoi(cmp.Or(os.Getenv("SPILLWAY_INSTANCES"), "300"))
	r, dir, worst := rand.New(rand.NewSource(seed)), t.TempDir(), 1.0
	for i := range count {
		c := drawSharing(r)
		p := c.plan(t, dir)
		got, best := c.energy(t, p), solved(t, glpsol, dir, c.program())
		if best > 0.01 {
			worst = min(worst, got/best)
		}
		if got < 0.99*best-1e-6 {
			t.Errorf("%v kWh, the optimum is %v", got, best)
		}
		if t.Failed() {
			text, readings := c.config()
			t.Fatalf("seed %d, instance %d\n%+v\n%s\n%v\n%+v\n%+v\n%+v", seed, i, c, text, readings, p.Windows, p.Steps, p.Profile)
		}
	}
	t.Logf("seed %d: %d sharings, the worst at %.4f of the optimum", seed, count, worst)
}

func solved(t *testing.T, glpsol, dir, program string) float64 {
	t.Helper()
	model, out := filepath.Join(dir, "m.lp"), filepath.Join(dir, "m.out")
	if err := os.WriteFile(model, []byte(program), 0o600); err != nil {
		t.Fatal(err)
	}
	if text, err := exec.Command(glpsol, "--lp", model, "--mipgap", "0", "--tmlim", "5", "-o", out).CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	text, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	_, after, _ := strings.Cut(string(text), "Objective:")
	if f := strings.Fields(after); len(f) > 2 {
		if x, err := strconv.ParseFloat(f[2], 64); err == nil {
			return x
		}
	}
	t.Fatalf("no objective in\n%s\n%s", text, program)
	return 0
}
