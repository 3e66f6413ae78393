package run

import (
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"

	"spillway/actions"
)

// seeds returns how many seeds to run: 1,000, or SPILLWAY_SEEDS; the first is SPILLWAY_SEED where it is given.
func seeds(t *testing.T) (first, count uint64) {
	t.Helper()
	read := func(name string, or uint64) uint64 {
		if s := os.Getenv(name); s != "" {
			n, err := strconv.ParseUint(s, 10, 64)
			if err != nil {
				t.Fatalf("%s=%s is no number", name, s)
			}
			return n
		}
		return or
	}
	return read("SPILLWAY_SEED", 1), read("SPILLWAY_SEEDS", 1000)
}

// TestSimulation runs two nested windows under faults drawn from each seed, and looks at the devices afterwards.
func TestSimulation(t *testing.T) {
	first, count := seeds(t)
	for seed := first; seed < first+count; seed++ {
		w := simulate(seed)
		if problems := append(w.broken, w.atRest()...); len(problems) > 0 {
			for _, p := range problems {
				t.Error(p)
			}
			t.Fatalf("seed %d (again with SPILLWAY_SEED=%d SPILLWAY_SEEDS=1):\n%s", seed, seed, w.tale())
		}
	}
}

func simulate(seed uint64) *world {
	start := clock("2026-12-04 22:00")
	w := newWorld(seed, smallPremises(), start, smallNormals())
	w.windows = []actions.Window{
		window("night", "night", "2026-12-05 00:30", "2026-12-05 04:30"),
		window("free power", "surplus", "2026-12-05 03:00", "2026-12-05 04:00"),
	}
	w.poll(true)
	w.faults(rand.New(rand.NewPCG(seed, 2)))
	for t := start; t.Before(clock("2026-12-05 09:00")); t = t.Add(5 * time.Minute) {
		w.always(t.Sub(start), func() []Event { w.poll(true); return nil })
	}
	w.run(clock("2026-12-05 12:00"))
	return w
}

// faults draws up to six faults at moments near the interesting ones.
func (w *world) faults(r *rand.Rand) {
	moments := []string{"2026-12-05 00:30", "2026-12-05 01:00", "2026-12-05 02:59", "2026-12-05 03:00", "2026-12-05 03:25", "2026-12-05 04:00", "2026-12-05 04:30"}
	for range r.IntN(7) {
		at := clock(moments[r.IntN(len(moments))]).Add(time.Duration(r.IntN(180_000)-90_000) * time.Millisecond)
		do := w.fault(r)
		w.always(at.Sub(w.now), func() []Event { do(); return nil })
	}
}

func (w *world) fault(r *rand.Rand) func() {
	b := w.boxes[[]string{"barn", "boiler"}[r.IntN(2)]]
	n := 1 + r.IntN(5)
	switch r.IntN(8) {
	case 0, 1, 2:
		return func() { w.note("the program is killed"); w.start() }
	case 3:
		return func() { w.note("%s loses %d commands", b.link.Name, n); b.loseNext += n }
	case 4:
		return func() {
			w.note("%s is off for %d min", b.link.Name, n*7)
			b.offUntil = w.now.Add(time.Duration(n) * 7 * time.Minute)
			b.session++
		}
	case 5:
		return func() {
			w.note("%s shows old values for %d s", b.link.Name, n*6)
			clear(b.lies)
			b.lieUntil = w.now.Add(time.Duration(n) * 6 * time.Second)
		}
	case 6:
		return func() {
			w.note("the disk is full for %d s", n*20)
			w.journal.full = true
			w.always(time.Duration(n)*20*time.Second, func() []Event { w.journal.full = false; return nil })
		}
	default:
		return func() {
			w.note("the surplus window is called off")
			for i := range w.windows {
				if w.windows[i].UID == "free power" {
					w.gone = append(w.gone, w.windows[i].ID)
					w.windows = append(w.windows[:i:i], w.windows[i+1:]...)
					break
				}
			}
		}
	}
}

// atRest checks what must be so when every window is long over, at the devices.
func (w *world) atRest() []string {
	var bad []string
	for ref, normal := range smallNormals() {
		if got := w.box(ref).values[ref]; got != normal {
			bad = append(bad, fmt.Sprintf("%s is %s after the last window, not %s", ref, got, normal))
		}
	}
	for ref, st := range w.journal.durable.Points {
		if st.Owed {
			bad = append(bad, fmt.Sprintf("%s is still owed", ref))
		}
	}
	return bad
}
