package run

import (
	"context"
	"os"
	"runtime"
	"runtime/debug"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/journal"
)

// seeds returns which seeds to run: 1 to 1,000, or from SPILLWAY_SEED on, SPILLWAY_SEEDS of them.
func seeds(t testing.TB) (first, count uint64) {
	t.Helper()
	return setIn(t, "SPILLWAY_SEED", 1), setIn(t, "SPILLWAY_SEEDS", 1000)
}

// setIn returns the number that is set in the environment.
func setIn(t testing.TB, name string, or uint64) uint64 {
	t.Helper()
	s := os.Getenv(name)
	if s == "" {
		return or
	}
	n, err := strconv.ParseUint(s, 10, 64)
	if err != nil {
		t.Fatalf("%s=%s is no number", name, s)
	}
	return n
}

// TestSimulation lives through a night of windows and mishaps for each seed, and holds the program to its promises.
func TestSimulation(t *testing.T) {
	first, count := seeds(t)
	simulateAll(t, first, count)
}

// TestSimulationWithWorkshop does so, for a tenth as many seeds, where there is more to keep: see workshopSeeds.
func TestSimulationWithWorkshop(t *testing.T) {
	first, count := seeds(t)
	simulateAll(t, workshopSeeds+first%workshopSeeds, (count+9)/10)
}

// TestSimulationWeek lives through a week or more for each of a fiftieth as many seeds, or of SPILLWAY_WEEKS: see weekSeeds.
func TestSimulationWeek(t *testing.T) {
	first, count := seeds(t)
	simulateAll(t, weekSeeds+first%workshopSeeds, setIn(t, "SPILLWAY_WEEKS", (count+49)/50))
}

func simulateAll(t *testing.T, first, count uint64) {
	t.Helper()
	began := time.Now()
	var sum totals
	eachSeed(first, count, func(seed uint64) bool {
		w := simulate(seed, breakage{}, false)
		sum.add(w)
		if len(w.check.bad) == 0 {
			return true
		}
		again := simulate(seed, breakage{}, true)
		for _, b := range w.check.bad {
			t.Error(b)
		}
		t.Errorf("%s", again.tell())
		return false
	})
	took := time.Since(began)
	t.Logf("%d seeds, %d windows begun, %d commands, %d comparisons, %.0f simulated days in %s (%.0f days a minute)", count, sum.windows.Load(),
		sum.commands.Load(), sum.strict.Load(), time.Duration(sum.time.Load()).Hours()/24, took.Round(time.Second/10),
		time.Duration(sum.time.Load()).Hours()/24/took.Minutes())
	if !t.Failed() && count >= 100 && (sum.windows.Load() < int64(count) || sum.strict.Load() < 10*int64(count)) {
		t.Error("the worlds are too quiet to show anything")
	}
}

// TestSeedsThatFailed lives through worlds that showed a fault once.
func TestSeedsThatFailed(t *testing.T) {
	for _, c := range []struct {
		seed  uint64
		fault string
	}{
		{700004804, "a statement took power at the instant another let go of it"},
		{810190094, "what a restore that was tried again might still draw was forgotten"},
		{810060026, "a battery that drew was not counted once a stronger lead-in took its power over"},
		{810170668, "a command went with what was journaled late, by a clock that was set back meanwhile"},
		{2000605, "what a window that is gone held waited to be given back, and was due anew by each plan"},
		{2000804, "what a box ended while the machine slept and the clock was set back was taken for a hand"},
		{34000520, "a cylinder that showed its target to a tenth of a kelvin drew for some seconds more, and the checker called the limit passed"},
		{310000510, "after the clock was set forward and a kill a link's spacing was taken for over"},
		{1004000000001, "a share that made way before a statement that gives back gave back itself, and was not taken up again"},
		{1020000000196, "a share took the power of a tank that was to be full by its level, and was not yet"},
		{1021000000007, "so did another of a battery's"},
		{1022000000047, "a battery waited for what a box out of reach would not let go of, and the checker wanted it at once"},
		{1041000000017, "a share that waited for its turn gave back meanwhile what the statement before it had"},
		{1001000000365, "a share that was less again before it was confirmed was taken for less at once, and a statement did not wait for it"},
		{510000289, "a box that lied while it was reset showed that like a hand, and the checker wanted it taken for a reset"},
		{1067000000139, "a share came to less while it was sent, and once that was confirmed the rest was taken for done"},
		{641000740, "a hand came between a broker's restart and the next reading, and the checker wanted it not to be taken for a reset"},
		{1100000000052, "a battery's giving back made room under the limit, and the checker did not count it"},
		{654000559, "a gateway told what a box that was off had had long ago, which was what it was asked for"},
		{1101000000186, "a share took power 0.9 s before what had it was to let go of it"},
		{708000535, "a van that was full was told to charge while others were over the limit, as was said before a restart"},
		{720000624, "a renewal of a value that never left was sent in its place, and what it set was not owed"},
		{121000395, "a battery waited for what a charger under a hand would not let go of, and the checker wanted it at once"},
		{4000792, "the same, after a renewal by a clock that was set forward for a while"},
		{2000123000068, "a hand on what cannot be read was days ago, and the checker thought that the program knew of it"},
		{2000077000156, "a reset after a value that had ended by itself was taken for a hand"},
	} {
		w := simulate(c.seed, breakage{}, false)
		for _, b := range w.check.bad {
			t.Errorf("seed %d: %s: %s", c.seed, c.fault, b)
		}
	}
}

type totals struct{ windows, commands, strict, time atomic.Int64 }

func (s *totals) add(w *world) {
	s.windows.Add(int64(len(w.check.windows)))
	s.commands.Add(int64(w.check.sent))
	s.strict.Add(int64(w.check.strict))
	s.time.Add(int64(w.t.Sub(w.start)))
}

// eachSeed runs the seeds on all processors, until one of them returns false. A world is small and mostly garbage soon: by
// default the collector would start over with every few megabytes, and take half of the time.
func eachSeed(first, count uint64, run func(seed uint64) bool) {
	defer debug.SetGCPercent(debug.SetGCPercent(1600))
	var next atomic.Uint64
	var stop atomic.Bool
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for !stop.Load() {
				n := next.Add(1) - 1
				if n >= count {
					return
				}
				if !run(first + n) {
					stop.Store(true)
				}
			}
		})
	}
	wg.Wait()
}

// simulate lives through the world of a seed until everything is long over, and looks at what is left.
func simulate(seed uint64, b breakage, told bool) *world {
	w := newWorld(drawSpec(seed), b, told)
	w.examineEvery(5 * time.Minute)
	end := w.start.Add(w.lasts)
	for len(w.check.bad) == 0 {
		w.run(end)
		next := w.over()
		if !next.After(end) {
			break
		}
		end = next
	}
	w.check.final()
	return w
}

func (w *world) examineEvery(d time.Duration) {
	w.always(d, func() []Event {
		w.check.examine()
		w.examineEvery(d)
		return nil
	})
}

// over returns when everything that is known of now is surely over, and forgotten.
func (w *world) over() time.Time {
	end := w.start
	for _, e := range []edition{w.feed.now, w.feed.before} {
		for _, x := range e.windows {
			end = later(end, x.End)
		}
	}
	for _, list := range w.check.beliefs {
		for _, b := range list {
			end = later(end, b.w.End)
		}
	}
	for _, t := range w.check.calm {
		end = later(end, t)
	}
	return end.Add(keepSteps + 75*time.Minute)
}

// final looks at what is left when everything is over: at the devices, and then at what the program thinks.
func (c *checker) final() {
	if len(c.bad) > 0 {
		return
	}
	if c.m == nil {
		c.fail("the program does not run at the end")
		return
	}
	for _, s := range c.settings {
		if now := c.site.Setting(s.ref); !has(c.owners[s.ref].legit, now) && !c.stuck(s.ref) && !c.blind(c.owners[s.ref]) {
			c.fail("in the end %s is %s, and it belongs at %v", s.ref, now, c.owners[s.ref].legit)
		}
	}
	stuck := false
	for r, st := range c.kept.Points {
		stuck = stuck || c.stuck(r)
		switch {
		case c.stuck(r):
			if _, told := c.m.troubles["restore "+r.String()]; !told {
				c.fail("in the end %s cannot be given back, and nobody is told", r)
			}
		case st.Owed:
			c.fail("in the end %s is owed", r)
		case !st.Stray.Known:
			c.fail("in the end %s is still remembered: %+v", r, st)
		}
	}
	for id, st := range c.kept.Steps {
		if !stuck {
			c.fail("in the end step %s is still remembered: %s", id, st.State)
		}
	}
	c.log()
}

// log: every line of the switching log is settled, and tells of as many commands as the program sent.
func (c *checker) log() {
	lines, err := c.journal.Log(context.Background(), journal.Query{})
	if err != nil {
		c.fail("read the log: %v", err)
	}
	for _, l := range lines {
		if !l.State.Over() && !c.stuck(l.Step.Point) {
			c.fail("in the end the log holds %s as %s", l.Step.ID, l.State)
		}
		if l.State == actions.Confirmed && l.Settled.IsZero() {
			c.fail("the log does not say when %s was confirmed", l.Step.ID)
		}
	}
}
