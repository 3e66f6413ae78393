package plan

import (
	"cmp"
	"fmt"
	"math"
	"math/rand"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"spillway/actions"
)

// A roomInstance is batteries that make room in half hours before a window, for a solver and for the planner alike.
type roomInstance struct {
	limit, house float64 // kW
	before, in   int     // half hours
	batteries    []roomBattery
}

type roomBattery struct {
	kwh, level, floor, efficiency float64 // level and floor as parts
	kw, back                      float64
}

func drawRoomInstance(r *rand.Rand) roomInstance {
	x := roomInstance{limit: 3 + math.Round(r.Float64()*120)/10, house: math.Round(r.Float64()*25) / 10, before: 1 + r.Intn(10), in: 1 + r.Intn(4)}
	x.house = math.Min(x.house, x.limit-0.5)
	for range 1 + r.Intn(3) {
		b := roomBattery{kwh: 3 + math.Round(r.Float64()*150)/10, level: math.Round(r.Float64()*100) / 100, floor: float64(r.Intn(30)) / 100,
			efficiency: float64(85+r.Intn(16)) / 100, kw: 0.5 + math.Round(r.Float64()*60)/10, back: 0.3 + math.Round(r.Float64()*30)/10}
		b.level = math.Max(b.level, b.floor)
		x.batteries = append(x.batteries, b)
	}
	return x
}

func (x roomInstance) plan() *actions.Plan {
	q := proc{name: "x", direction: actions.TurnUp}
	var devices []actions.Device
	var reads []string
	for i, b := range x.batteries {
		name := fmt.Sprintf("battery%d", i)
		devices = append(devices, device(actions.Device{Name: name, Kind: actions.Battery, CapacityWh: b.kwh * 1000, PowerW: b.kw * 1000, Efficiency: b.efficiency,
			FloorPercent: b.floor * 100, Level: "level", MakeRoom: true},
			pt{name: "power", unit: "W", min: -b.back * 1000, max: b.kw * 1000, normal: "0"}, pt{name: "level", unit: "%", readOnly: true}))
		q.during = append(q.during, name+".power = auto")
		reads = append(reads, fmt.Sprintf("%s.level=%v", name, b.level*100))
	}
	p := procedures(outlet(x.limit, 1, devices...), q)
	p.Supply.OtherLoadsW = x.house * 1000
	w := win("a", "x", "13:00", "14:00")
	w.End = w.Start.Add(time.Duration(x.in) * 30 * time.Minute)
	now := w.Start.Add(-time.Duration(x.before) * 30 * time.Minute)
	return planOf(p, now.Format("15:04"), []actions.Window{w}, reads...)
}

// program writes the instance as a linear program in CPLEX LP form: what is given back (d) in every half hour before, what is
// taken (c) in every half hour of the window, with the levels bounded throughout.
func (x roomInstance) program() string {
	var goal, rows, bounds strings.Builder
	goal.WriteString("Maximize\n e:")
	rows.WriteString("Subject To\n")
	together := make([]string, x.before+x.in)
	for i, b := range x.batteries {
		sum := ""
		for t := range x.before + x.in {
			name, per, most := fmt.Sprintf("d%d_%d", i, t), -0.5/b.efficiency, b.back
			if t >= x.before {
				name, per, most = fmt.Sprintf("c%d_%d", i, t), 0.5*b.efficiency, b.kw
				fmt.Fprintf(&goal, " + 0.5 %s", name)
			}
			fmt.Fprintf(&bounds, " %s <= %v\n", name, most)
			together[t] += " + " + name
			sum += fmt.Sprintf(" %+g %s", per, name)
			fmt.Fprintf(&rows, " l%d_%d: %s >= %v\n", i, t, sum, b.kwh*(b.floor-b.level))
			fmt.Fprintf(&rows, " m%d_%d: %s <= %v\n", i, t, sum, b.kwh*(1-b.level))
		}
	}
	for t, names := range together {
		most := x.house
		if t >= x.before {
			most = x.limit - x.house
		}
		fmt.Fprintf(&rows, " t%d: %s <= %v\n", t, names, most)
	}
	return goal.String() + "\n" + rows.String() + "Bounds\n" + bounds.String() + "End\n"
}

// TestRoomAgainstSolver compares the energy that random windows take with what GLPK finds can be taken at the most, batteries
// giving back to the house beforehand. It runs where SPILLWAY_GLPSOL names the solver; SPILLWAY_SEED picks the instances.
func TestRoomAgainstSolver(t *testing.T) {
	glpsol := os.Getenv("SPILLWAY_GLPSOL")
	if glpsol == "" {
		t.Skip("SPILLWAY_GLPSOL does not name GLPK's solver: .ci/sharing does")
	}
	seed, _ := strconv.ParseInt(cmp.Or(os.Getenv("SPILLWAY_SEED"), "1"), 10, 64)
	count, _ := strconv.Atoi(cmp.Or(os.Getenv("SPILLWAY_INSTANCES"), "300"))
	r := rand.New(rand.NewSource(seed))
	dir := t.TempDir()
	worst, gained, short := 1.0, 0, 0
	for i := range count {
		x := drawRoomInstance(r)
		plan, without := x.plan(), x
		best := optimum(t, glpsol, dir, x.program())
		without.before = 0
		if got := total(plan, "a"); best > 0.1 {
			worst = math.Min(worst, got/best)
			if got < 0.99*best-0.01 {
				if short++; short == 1 {
					t.Errorf("seed %d, instance %d: %v kWh, the optimum is %v\n%+v\n%s", seed, i, got, best, x, dump(plan))
				}
			}
			if got > best*1.001+1e-3 {
				t.Errorf("seed %d, instance %d: %v kWh, over the optimum of %v\n%+v\n%s", seed, i, got, best, x, dump(plan))
				break
			}
		}
		if total(plan, "a") > total(without.plan(), "a")*1.01+0.01 {
			gained++
		}
		underTheLimit(t, plan)
	}
	t.Logf("seed %d: %d instances, the worst at %.4f of the optimum; %d short of 0.99; making room gains in %d", seed, count, worst, short, gained)
}
