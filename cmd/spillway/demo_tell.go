package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"slices"
	"strings"
	"sync"
	"time"

	"spillway/actions"
	"spillway/actions/house"
	"spillway/actions/journal"
	"spillway/actions/run"
	"spillway/actions/settle"
	"spillway/config"
)

// A narrator tells the demo's story as it goes.
type narrator struct {
	out      io.Writer
	zone     *time.Location
	house    *house.House
	terminal bool
	journal  *journal.Journal
	clock    run.Clock

	mu       sync.Mutex
	told     map[string]actions.StepState
	windows  map[string]actions.WindowState
	troubles map[string]bool
	progress bool // a progress line stands on the terminal
}

func newNarrator(out io.Writer, clock run.Clock, zone *time.Location, h *house.House, terminal bool) *narrator {
	return &narrator{out: out, clock: clock, zone: zone, house: h, terminal: terminal, told: map[string]actions.StepState{},
		windows: map[string]actions.WindowState{}, troubles: map[string]bool{}}
}

// logger lets what is worth telling of the daemon's log into the story, and all of it where that is asked for.
func (n *narrator) logger(verbose bool) *slog.Logger {
	if verbose {
		return slog.New(slog.NewTextHandler(n.out, nil))
	}
	return slog.New(noteHandler{n})
}

// A noteHandler tells notes, such as a boost that ended by itself. Troubles are told from the snapshots.
type noteHandler struct{ n *narrator }

func (h noteHandler) Enabled(_ context.Context, l slog.Level) bool { return l == run.Note }
func (h noteHandler) WithAttrs([]slog.Attr) slog.Handler           { return h }
func (h noteHandler) WithGroup(string) slog.Handler                { return h }

func (h noteHandler) Handle(_ context.Context, r slog.Record) error {
	where := ""
	r.Attrs(func(a slog.Attr) bool { where = a.Value.String(); return false })
	h.n.mu.Lock()
	defer h.n.mu.Unlock()
	h.n.say(h.n.clock.Now(), "         %s %s", where, r.Message)
	return nil
}

func (n *narrator) say(at time.Time, format string, args ...any) {
	if n.progress {
		fmt.Fprint(n.out, "\r\x1b[K")
		n.progress = false
	}
	fmt.Fprintf(n.out, "%s  %s\n", at.In(n.zone).Format("15:04:05"), fmt.Sprintf(format, args...))
}

func (n *narrator) opening(f demoFlags, feed, page string, now time.Time) {
	fmt.Fprintf(n.out, `Quillmere, an invented smallholding: a barn battery, a house battery, a hot-water cylinder on a heat pump, a van on a
charger and an ice bank, behind one 60 A service fuse. Its calendar holds a night rate, 00:30 to 04:30 every night, and
for once a surplus hour inside it, 03:00 to 04:00. The gateways lose a command that follows another within 15 s, the
cylinder's boost ends by itself, and one more command will be lost on the way.

It is %s there, and the clock runs %g times faster. The plan feed, for any calendar program:
  %s
and the page, for a browser:
  %s

`, now.In(n.zone).Format("Mon 2 Jan 2006 15:04"), f.speed, feed, page)
}

// changed tells what is new in a state.
func (n *narrator) changed(s run.Snapshot) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for _, w := range s.Plan.Windows {
		n.window(s, w)
	}
	lines, err := n.journal.Log(context.Background(), journal.Query{})
	if err != nil {
		n.say(s.At, "the switching log cannot be read: %v", err)
		return
	}
	for _, l := range lines {
		n.step(l)
	}
	now := map[string]bool{}
	for _, t := range s.Troubles {
		now[t.Key] = true
		if !n.troubles[t.Key] {
			n.say(s.At, "! %s: %s", t.Where, t.What)
		}
	}
	n.troubles = now
}

func (n *narrator) window(s run.Snapshot, w actions.PlannedWindow) {
	old, known := n.windows[w.ID]
	if known && old == w.State {
		return
	}
	n.windows[w.ID] = w.State
	if w.Start.Sub(s.At) > 12*time.Hour {
		return // tomorrow's night rate
	}
	switch {
	case !known:
		count := 0
		for _, st := range s.Plan.Steps {
			if st.Window == w.ID {
				count++
			}
		}
		n.say(s.At, "window taken: %s, %s to %s: %d steps, lead-in from %s, peak %.1f kW of %.1f kW", w.Title,
			w.Start.In(n.zone).Format("15:04"), w.End.In(n.zone).Format("15:04"), count, w.LeadIn.In(n.zone).Format("15:04:05"), w.PeakKW, w.LimitKW)
		for _, p := range w.Problems {
			n.say(s.At, "! %s: %s", w.Title, p)
		}
	case w.State == actions.Active:
		n.say(s.At, "-- %s begins", w.Title)
	case w.State == actions.Completed:
		n.say(s.At, "-- %s is over", w.Title)
	}
}

func (n *narrator) step(l actions.StepStanding) {
	if !l.State.Over() || n.told[l.Step.ID] == l.State {
		return
	}
	n.told[l.Step.ID] = l.State
	how := string(l.State)
	switch {
	case l.Tries > 1:
		how = fmt.Sprintf("%s, on try %d", l.State, l.Tries)
	case l.Tries == 0 && l.Note != "":
		how = l.Note
	}
	n.say(l.Settled, "%-8s %s = %s (%s)", l.Step.Phase, l.Step.Point, l.Step.Value, how)
}

// follow shows the progress until the story is over and nothing is owed any more.
func (n *narrator) follow(ctx context.Context, clock run.Fast, r *run.Runner) error {
	end, err := house.StoryEnd()
	if err != nil {
		return err
	}
	tick := time.NewTicker(200 * time.Millisecond)
	defer tick.Stop()
	var last time.Time
	for {
		select {
		case <-ctx.Done():
			return errors.New("interrupted before the night was over")
		case <-tick.C:
		}
		now := clock.Now()
		s, _ := r.Snapshot()
		if !now.Before(end) && (len(s.Owed()) == 0 || now.After(end.Add(demoPatience))) {
			return nil
		}
		// A terminal has one line that moves; anything else gets a line each half hour.
		if n.terminal || now.Sub(last) >= 30*time.Minute {
			last = now
			n.line(now, s)
		}
	}
}

func (n *narrator) line(now time.Time, s run.Snapshot) {
	n.mu.Lock()
	defer n.mu.Unlock()
	p := n.house.Snapshot()
	text := fmt.Sprintf("%s  import %4.1f kW of %.1f kW | barn %.0f %%, house %.0f %%, cylinder %.0f °C, ice %.0f %%, van needs %.1f kWh | %d held",
		now.In(n.zone).Format("15:04"), p.ImportW/1000, house.FuseA*house.VoltageV/1000.0, p.Level[house.BarnBattery], p.Level[house.HouseBattery],
		p.Level[house.Cylinder], p.Level[house.IceBankName], p.Level[house.Van], len(s.Owed()))
	if n.terminal {
		fmt.Fprint(n.out, "\r\x1b[K"+text)
		n.progress = true
		return
	}
	fmt.Fprintln(n.out, "   "+text)
}

// summary counts what became of the steps.
func (n *narrator) summary(ctx context.Context) error {
	lines, err := n.journal.Log(ctx, journal.Query{})
	if err != nil {
		return err
	}
	states := map[actions.StepState]int{}
	sends, already := 0, 0
	for _, l := range lines {
		states[l.State]++
		sends += l.Tries
		if l.Tries == 0 && l.State == actions.Confirmed {
			already++
		}
	}
	var parts []string
	for _, st := range []actions.StepState{actions.Confirmed, actions.Assumed, actions.Skipped, actions.Failed, actions.Sent} {
		if states[st] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", states[st], st))
		}
	}
	fmt.Fprintf(n.out, "Steps: %s; %d commands sent, %d not needed.\n", strings.Join(parts, ", "), sends, already)
	return nil
}

// devices says what the devices themselves saw.
func (n *narrator) devices() error {
	astray, excess := n.house.Astray(), n.house.Excess()
	peak, at := n.house.Peak()
	fmt.Fprintf(n.out, "At the devices: the import peaked at %.1f kW at %s, under a fuse of %.1f kW.\n", peak/1000, at.In(n.zone).Format("15:04:05"),
		house.FuseA*house.VoltageV/1000.0)
	var refs []actions.Ref
	for ref := range astray {
		refs = append(refs, ref)
	}
	slices.SortFunc(refs, actions.Ref.Compare)
	for _, ref := range refs {
		fmt.Fprintf(n.out, "NOT RESTORED: %s is %s, and was %s.\n", ref, astray[ref], n.house.Normals()[ref])
	}
	switch {
	case len(astray) > 0:
		return fmt.Errorf("%d settings are not at their normal", len(astray))
	case len(excess) > 0:
		return fmt.Errorf("the import was above the fuse %d times", len(excess))
	}
	fmt.Fprintf(n.out, "Every one of %d settings is back as it was.\n", len(n.house.Normals()))
	return nil
}

// closing sums the night up. It fails where a setting is not at its normal.
func (n *narrator) closing(ctx context.Context, now time.Time, cfg *config.Config) error {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.progress {
		fmt.Fprint(n.out, "\r\x1b[K")
		n.progress = false
	}
	fmt.Fprintln(n.out)
	if err := n.summary(ctx); err != nil {
		return err
	}
	bad := n.devices()
	return errors.Join(bad, n.worth(ctx, now, cfg))
}

// worth settles the surplus from the simulated meter, as `spillway settle` would a week later.
func (n *narrator) worth(ctx context.Context, now time.Time, cfg *config.Config) error {
	a := &app{streams: streams{Out: n.out, Err: io.Discard}}
	if err := os.WriteFile(cfg.Meter.Files[0], n.house.MeterCSV(), 0o600); err != nil {
		return fmt.Errorf("write the meter's half hours: %w", err)
	}
	l := a.ledger(cfg, n.journal, now)
	series, err := l.series(ctx, nil)
	if err != nil {
		return err
	}
	from, to := series.Bounds()
	books, err := l.books(ctx, nil, series, from, to)
	if err != nil {
		return err
	}
	results := settle.New(*books).All(&cfg.Premises, from, to)
	if err := l.made(ctx, results); err != nil {
		return err
	}
	fmt.Fprintf(n.out, "\nWhat it was worth, by the meter's half hours:\n%s", settle.Table(results, n.zone, now))
	return nil
}
