package run

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/journal"
	"spillway/actions/link"
)

// A fleet is generated premises of many links whose boxes live in memory, so that what is measured is our own work: the
// machine, the plan, the journal on a real disk and the goroutines.
type fleet struct {
	premises *actions.Premises
	windows  []actions.Window
	boxes    map[string]*fleetBox
	ended    chan struct{} // closed when every command that is due has come
	last     time.Time     // when the last one is due

	mu   sync.Mutex
	late []time.Duration
	left int
}

// fleetGrace is how long after the last is due one waits for those that have not come.
const fleetGrace = 20 * time.Second

// newFleet makes so many links, each with perLink points, a device for every ten.
func newFleet(links, perLink int) *fleet {
	f := &fleet{boxes: map[string]*fleetBox{}, ended: make(chan struct{})}
	p := &actions.Premises{Zone: time.UTC, Supply: actions.Supply{LimitW: 1e9, VoltageV: 230, Phases: 1}}
	for i := range links {
		name := fmt.Sprintf("link%04d", i)
		p.Links = append(p.Links, actions.Link{Name: name, Timeout: 10 * time.Second, Confirm: 10 * time.Second, Tries: 3})
		f.boxes[name] = &fleetBox{fleet: f, values: map[actions.Ref]actions.Value{}, due: map[actions.Ref][]time.Time{}}
		for d := range (perLink + 9) / 10 {
			var points []actions.Point
			for k := range min(10, perLink-10*d) {
				points = append(points, number(fmt.Sprintf("point%d", k), "W", 1, 5000))
				points[k].Draws.None = true
			}
			p.Devices = append(p.Devices, device(actions.Device{Kind: actions.Load, Name: fmt.Sprintf("device%04d_%d", i, d), Link: name}, points...))
		}
	}
	f.premises = p
	return f
}

// procedures makes n procedures, each of which holds perProcedure points, every one on another link as far as there are
// enough; all the points come up in turn.
func (f *fleet) procedures(n, perProcedure int) {
	links := len(f.premises.Links)
	devices := len(f.premises.Devices) / links
	at := 0
	for i := range n {
		q := actions.Procedure{Name: fmt.Sprintf("procedure%05d", i), Longest: 24 * time.Hour}
		for range perProcedure {
			round := at / links
			d := &f.premises.Devices[at%links*devices+round/10%devices]
			q.During = append(q.During, actions.Statement{Point: d.Points[round%len(d.Points)].Ref, Want: actions.Want{Value: actions.Number(2000)}})
			at++
		}
		f.premises.Procedures = append(f.premises.Procedures, q)
	}
}

// window adds a window of a procedure. Where it is counted, each of its commands must come, and its lateness counts.
func (f *fleet) window(procedure int, start, end time.Time, counted bool) {
	q := &f.premises.Procedures[procedure%len(f.premises.Procedures)]
	id := fmt.Sprintf("w%05d", len(f.windows))
	f.windows = append(f.windows, actions.Window{ID: id, UID: id, Title: "Free power", Feed: "fleet", Procedure: q.Name, Start: start, End: end})
	if !counted {
		return
	}
	if end.After(f.last) {
		f.last = end
	}
	for _, s := range q.During {
		b := f.boxes[f.premises.Device(s.Point.Device).Link]
		b.due[s.Point] = append(b.due[s.Point], start, end)
		f.left += 2
	}
}

// run carries the windows out in real time, and returns how late each command was, sorted.
func (f *fleet) run(tb testing.TB) []time.Duration {
	for _, b := range f.boxes {
		for _, due := range b.due {
			slices.SortFunc(due, time.Time.Compare)
		}
	}
	j, err := journal.Open(tb.TempDir(), journal.Options{})
	if err != nil {
		tb.Fatal(err)
	}
	links := map[string]link.Link{}
	for name, b := range f.boxes {
		links[name] = b
	}
	ctx, stop := context.WithCancel(tb.Context())
	r := NewRunner(Config{Settings: Settings{Premises: f.premises, Journal: j, Horizon: 14 * 24 * time.Hour}, Clock: System{}, Links: links, Feeds: []Feed{f}})
	done := make(chan error, 1)
	go func() { done <- r.Run(ctx) }()
	last := time.NewTimer(time.Until(f.last) + fleetGrace)
	defer last.Stop()
	select {
	case <-f.ended:
	case <-last.C:
		tb.Errorf("%d commands have not come", f.left)
	}
	stop()
	if err := <-done; err != nil {
		tb.Error(err)
	}
	if err := j.Close(); err != nil {
		tb.Error(err)
	}
	slices.Sort(f.late)
	return f.late
}

// Name and Poll make a fleet the feed of its windows.
func (f *fleet) Name() string { return "fleet" }

// Poll returns all windows, each time the same.
func (f *fleet) Poll(context.Context) (Polled, time.Time) {
	return Polled{Feed: "fleet", Good: true, Windows: f.windows, Events: len(f.windows)}, time.Now().Add(time.Hour)
}

// A fleetBox is a link with what is behind it: it takes and shows values at once.
type fleetBox struct {
	fleet  *fleet
	mu     sync.Mutex
	values map[actions.Ref]actions.Value
	due    map[actions.Ref][]time.Time // when commands should come, in order
}

// Write takes the value and notes how late it came.
func (b *fleetBox) Write(_ context.Context, p *actions.Point, v actions.Value) error {
	now := time.Now()
	b.mu.Lock()
	b.values[p.Ref] = v
	due := b.due[p.Ref]
	if len(due) > 0 {
		b.due[p.Ref] = due[1:]
	}
	b.mu.Unlock()
	if len(due) == 0 {
		return nil
	}
	f := b.fleet
	f.mu.Lock()
	defer f.mu.Unlock()
	f.late = append(f.late, now.Sub(due[0]))
	if f.left--; f.left == 0 {
		close(f.ended)
	}
	return nil
}

// Read shows the value.
func (b *fleetBox) Read(_ context.Context, p *actions.Point) (actions.Value, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if v, ok := b.values[p.Ref]; ok {
		return v, nil
	}
	return actions.Number(100), nil
}

// Session never changes.
func (b *fleetBox) Session() uint64 { return 1 }

// Close has nothing to end.
func (b *fleetBox) Close() error { return nil }

// at returns the value below which a share q of the sorted list lies.
func quantile(sorted []time.Duration, q float64) time.Duration {
	return sorted[min(len(sorted)-1, int(q*float64(len(sorted))))]
}
