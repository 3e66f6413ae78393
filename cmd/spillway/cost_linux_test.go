package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/house"
	"spillway/actions/journal"
	"spillway/actions/run"
	"spillway/config"
)

// TestCost runs the real program, built as it is released, beside the simulated premises and their real protocols, and tells
// what it costs: SPILLWAY_COST says how long it is watched while idle, such as 1m. The journal holds a year of history.
func TestCost(t *testing.T) {
	watch, err := time.ParseDuration(os.Getenv("SPILLWAY_COST"))
	if err != nil {
		t.Skip("SPILLWAY_COST does not say how long to watch the program: this is a measurement")
	}
	bin := filepath.Join(t.TempDir(), "spillway")
	if out, err := exec.Command("go", "build", "-trimpath", "-ldflags", "-s -w", "-o", bin, ".").CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	info, err := os.Stat(bin)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("binary: %.1f MB", float64(info.Size())/1e6)
	now := time.Now()
	year := filepath.Join(t.TempDir(), "state")
	yearOfHistory(t, year, now)
	t.Run("start", func(t *testing.T) { startCost(t, bin, year) })
	t.Run("idle", func(t *testing.T) { idleCost(t, bin, year, watch) })
}

// startCost tells how long it is from the start of the process to the first command at a device, in a window that is on.
func startCost(t *testing.T, bin, year string) {
	var took []time.Duration
	for range 7 {
		h, file := costHouse(t, year, -time.Minute)
		began := time.Now()
		_, end := costRun(t, bin, file)
		for len(h.Ledger().Of("", house.Command)) == 0 {
			if time.Since(began) > time.Minute {
				t.Fatal("no command came within a minute")
			}
			time.Sleep(time.Millisecond)
		}
		took = append(took, h.Ledger().Of("", house.Command)[0].At.Sub(began))
		end()
		if err := h.Close(); err != nil {
			t.Error(err)
		}
	}
	slices.Sort(took)
	t.Logf("start to first command at a device: %d ms at least, %d ms in the middle", took[0].Milliseconds(), took[len(took)/2].Milliseconds())
}

// idleCost tells what the program takes while nothing is to be done for days.
func idleCost(t *testing.T, bin, year string, watch time.Duration) {
	h, file := costHouse(t, year, 24*time.Hour)
	defer func() { _ = h.Close() }()
	pid, end := costRun(t, bin, file)
	defer end()
	time.Sleep(10 * time.Second) // for the first poll and plan
	before, began := usageOf(t, pid), time.Now()
	time.Sleep(watch)
	after, passed := usageOf(t, pid), time.Since(began)
	t.Logf("idle for %s with a year of history: %.3f %% of a core, %.1f wake-ups a minute, %.1f MB resident, %.1f MB at its peak",
		passed.Round(time.Second), 100*(after.cpu-before.cpu).Seconds()/passed.Seconds(),
		float64(after.woke-before.woke)/passed.Minutes(), after.resident, after.peak)
}

// costHouse furnishes premises in real time with a window that begins after a while, and a configuration for
// them and a copy of the journal of a year.
func costHouse(t *testing.T, year string, in time.Duration) (*house.House, string) {
	t.Helper()
	now := time.Now()
	start := now.Add(in).Truncate(time.Second).UTC()
	h, err := house.Start(house.Options{
		Clock: run.Fast{Start: now.UTC(), Began: now, Speed: 1}, Seed: 1, History: -1,
		Events: []house.Event{{UID: "one", Title: "Free power, Nether Sallow", Start: start, End: start.Add(time.Hour)}},
	})
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	state, file := filepath.Join(dir, "state"), filepath.Join(dir, config.Name)
	if err := os.WriteFile(file, []byte(h.Config(state)), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.CopyFS(state, os.DirFS(year)); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(state, 0o700); err != nil {
		t.Fatal(err)
	}
	return h, file
}

// yearOfHistory fills a journal: a window a day with twenty steps and four readings a minute, and 35 days of the meter.
func yearOfHistory(t *testing.T, state string, now time.Time) {
	t.Helper()
	j, err := journal.Open(state, journal.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for day := range 365 {
		start := now.Add(time.Duration(day-366) * 24 * time.Hour).Truncate(time.Hour).UTC()
		w := fmt.Sprintf("window%03d", day)
		if err := j.SaveWindows(t.Context(), []journal.Window{{ID: w, UID: w, Feed: "house", Procedure: "surplus", Title: "Free power",
			Start: start, End: start.Add(time.Hour), State: actions.Completed}}); err != nil {
			t.Fatal(err)
		}
		var entries []actions.Entry
		for k := range 20 {
			step := actions.Step{ID: fmt.Sprintf("%s-%d", w, k), Window: w, Phase: actions.PhaseDuring, At: start, Link: "barn", Value: actions.Number(5000),
				Point: actions.Ref{Device: "barn_battery", Point: "charge_power"}, From: actions.Number(3000), Why: "the window begins", Due: start, Start: start}
			for i, kind := range []actions.EntryKind{actions.EntryIntent, actions.EntrySent, actions.EntrySettled} {
				entries = append(entries, actions.Entry{Kind: kind, At: start.Add(time.Duration(i) * time.Second), Step: step, Tries: 1, State: actions.Confirmed, ReadBack: actions.Number(5000)})
			}
		}
		over := start.Add(2 * time.Hour)
		entries = append(entries, actions.Entry{Kind: actions.EntryWindowOver, At: over, Window: w},
			actions.Entry{Kind: actions.EntryHandOver, At: over, Point: actions.Ref{Device: "barn_battery", Point: "charge_power"}})
		if err := j.Write(t.Context(), entries...); err != nil {
			t.Fatal(err)
		}
		var samples []journal.Sample
		for m := range 60 {
			for k := range 4 {
				samples = append(samples, journal.Sample{At: start.Add(time.Duration(m) * time.Minute), Value: actions.Number(float64(m)),
					Ref: actions.Ref{Device: "barn_battery", Point: "p" + strconv.Itoa(k)}})
			}
		}
		for m := 0; day >= 330 && m < 1440; m++ {
			samples = append(samples, journal.Sample{At: start.Add(time.Duration(m) * time.Minute), Value: actions.Number(float64(m)),
				Ref: actions.Ref{Device: "meter", Point: "import"}})
		}
		if err := j.SaveReadings(t.Context(), samples); err != nil {
			t.Fatal(err)
		}
	}
	for ref := range j.Standing().Points {
		t.Fatalf("%s is part of standing", ref)
	}
	if err := j.Close(); err != nil {
		t.Fatal(err)
	}
}

// costRun starts the program and returns its process id and how to end it.
func costRun(t *testing.T, bin, file string) (pid int, end func()) {
	t.Helper()
	log, err := os.Create(filepath.Join(t.TempDir(), "log"))
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(bin, "run", "--config", file)
	cmd.Stdout, cmd.Stderr = log, log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	return cmd.Process.Pid, func() {
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
		_ = log.Close()
		if t.Failed() {
			said, _ := os.ReadFile(log.Name())
			t.Logf("the program said:\n%s", said)
		}
	}
}

// A usage is what a process has used so far (proc_pid_stat(5), proc_pid_status(5)).
type usage struct {
	cpu            time.Duration
	woke           int     // voluntary context switches of all threads
	resident, peak float64 // MB
}

func usageOf(t *testing.T, pid int) (u usage) {
	t.Helper()
	// In nanoseconds, where ticks of /proc/PID/stat are 10 ms.
	tasks, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*", pid))
	if err != nil || len(tasks) == 0 {
		t.Fatalf("the program has ended: %v", err)
	}
	for _, task := range tasks {
		b, err := os.ReadFile(task + "/schedstat")
		if err != nil {
			continue // the thread has just ended
		}
		n, _ := strconv.ParseInt(strings.Fields(string(b))[0], 10, 64)
		u.cpu += time.Duration(n)
		u.woke += int(field(task+"/status", "voluntary_ctxt_switches"))
	}
	status := fmt.Sprintf("/proc/%d/status", pid)
	u.resident, u.peak = field(status, "VmRSS")*1024/1e6, field(status, "VmHWM")*1024/1e6
	return u
}

// field returns a number from a status file, 0 where it is not there.
func field(path, name string) float64 {
	b, _ := os.ReadFile(path)
	for line := range strings.Lines(string(b)) {
		if rest, ok := strings.CutPrefix(line, name+":"); ok {
			n, _ := strconv.ParseFloat(strings.Fields(rest)[0], 64)
			return n
		}
	}
	return 0
}
