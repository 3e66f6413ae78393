package main

import (
	"cmp"
	"context"
	"image"
	"image/color"
	"image/draw"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"spillway/actions"
	"spillway/actions/house"
	"spillway/actions/journal"
	"spillway/actions/plan"
	"spillway/actions/run"
	"spillway/cmd/spillway/page"
	"spillway/config"
)

// A night is the demo's story without sockets and at a clock that stands: the plan as it is made at its beginning, and all
// that the page shows in the middle of the surplus, each step done at its time.
type night struct {
	cfg      *config.Config
	site     *house.Site
	windows  []actions.Window
	plan     *actions.Plan // at the beginning
	now      time.Time
	snap     run.Snapshot
	standing actions.Standing
}

func newNight(t *testing.T) *night {
	t.Helper()
	start, err := house.StoryStart()
	if err != nil {
		t.Fatal(err)
	}
	n := &night{now: start.Add(3*time.Hour - 2*time.Minute), standing: actions.NewStanding()}
	if n.site, err = house.NewSite(start, 1, house.StoryLevels()); err != nil {
		t.Fatal(err)
	}
	n.cfg = nightConfig(t)
	n.windows = nightWindows(t)
	n.plan = n.make(t, start, nil)
	for _, s := range n.plan.Steps {
		if s.At.Before(n.now) {
			n.do(t, s)
		}
	}
	n.site.Advance(n.now)
	n.snap = run.Snapshot{At: n.now, Standing: n.standing, Readings: n.readings(t), Plan: n.make(t, n.now, n.plan)}
	return n
}

func nightConfig(t *testing.T) *config.Config {
	t.Helper()
	text := house.ConfigText(house.Addresses{Broker: "mqtt://127.0.0.1:1883", Boiler: "http://127.0.0.1:8090/", Yard: "http://127.0.0.1:8091/",
		Calendar: "http://127.0.0.1:8092/quillmere.ics"}, house.ConfigOptions{})
	file := filepath.Join(t.TempDir(), config.Name)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	cfg, err := config.Load(config.Options{File: file})
	if err != nil {
		t.Fatal(err)
	}
	return cfg
}

// nightWindows are those of the story's two events, and of the night after.
func nightWindows(t *testing.T) []actions.Window {
	t.Helper()
	events, err := house.StoryEvents()
	if err != nil {
		t.Fatal(err)
	}
	var list []actions.Window
	window := func(e house.Event, procedure string, later, recurrence time.Duration) {
		w := actions.Window{UID: e.UID, Feed: "quillmere", Procedure: procedure, Title: e.Title, Start: e.Start.Add(later), End: e.End.Add(later)}
		if e.Rule != "" {
			w.RecurrenceID = e.Start.Add(recurrence)
		}
		w.ID = actions.WindowID(w.UID, w.RecurrenceID)
		list = append(list, w)
	}
	window(events[0], "night_rate", 0, 0)
	window(events[1], "surplus", 0, 0)
	window(events[0], "night_rate", 24*time.Hour, 24*time.Hour)
	return list
}

func (n *night) make(t *testing.T, now time.Time, current *actions.Plan) *actions.Plan {
	t.Helper()
	return plan.Make(plan.Input{Premises: &n.cfg.Premises, Windows: n.windows, Readings: n.readings(t), Standing: n.standing, Current: current, Now: now})
}

func (n *night) readings(t *testing.T) actions.Readings {
	t.Helper()
	all := actions.Readings{}
	for _, d := range n.cfg.Premises.Devices {
		for _, point := range d.Points {
			v, a := n.site.Read(n.site.Now(), point.Ref)
			if !a.OK() {
				t.Fatalf("%s: %+v", point.Ref, a)
			}
			all[point.Ref] = actions.Reading{Value: v, At: n.site.Now()}
		}
	}
	return all
}

// do carries a step out on the premises, and records it as the runner does.
func (n *night) do(t *testing.T, s actions.Step) {
	t.Helper()
	if p := n.standing.Points[s.Point]; !p.Owed {
		v, a := n.site.Read(s.At, s.Point)
		if !a.OK() {
			t.Fatalf("%s: %+v", s.Point, a)
		}
		n.standing.Apply(actions.Entry{Kind: actions.EntryNormal, At: s.At, Point: s.Point, Value: v})
	}
	if a := n.site.Write(s.At, s.Point, s.Value); !a.OK() {
		t.Fatalf("%s = %s: %+v", s.Point, s.Value, a)
	}
	n.standing.Apply(actions.Entry{Kind: actions.EntryIntent, At: s.At, Step: s, Tries: 1})
	n.standing.Apply(actions.Entry{Kind: actions.EntrySent, At: s.At.Add(time.Second), Step: s})
	n.standing.Apply(actions.Entry{Kind: actions.EntrySettled, At: s.At.Add(2 * time.Second), Step: s, State: actions.Confirmed, ReadBack: s.Value})
}

func (n *night) page(t *testing.T) *page.Page {
	t.Helper()
	p, err := page.New(page.Options{Premises: &n.cfg.Premises, State: n, Acts: n, Record: n, Feeds: n.feeds, Now: func() time.Time { return n.now },
		Locks: page.Locks{Listen: "127.0.0.1:8377"}})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func (n *night) feeds() []page.Feed {
	return []page.Feed{{Name: "quillmere", Asked: n.now.Add(-time.Minute), Good: n.now.Add(-time.Minute), Next: n.now.Add(time.Minute), Windows: len(n.windows)}}
}

// Snapshot returns the one state there is; it never changes.
func (n *night) Snapshot() (run.Snapshot, <-chan struct{}) { return n.snap, nil }

// Ask refuses: nothing is done here.
func (n *night) Ask(context.Context, run.Event) error { return context.Canceled }

// Windows returns none: the plan knows them all.
func (n *night) Windows(context.Context, time.Time, time.Time) ([]journal.Window, error) {
	return nil, nil
}

// Log returns what was done, newest last.
func (n *night) Log(context.Context, journal.Query) ([]actions.StepStanding, error) {
	var list []actions.StepStanding
	for _, st := range n.standing.Steps {
		list = append(list, st)
	}
	slices.SortFunc(list, func(a, b actions.StepStanding) int {
		return cmp.Or(a.Step.At.Compare(b.Step.At), cmp.Compare(a.Step.ID, b.Step.ID))
	})
	return list, nil
}

// fewColors returns what part shows of img in its 256 most frequent colours: a quarter of the bytes, and hardly seen.
func fewColors(img image.Image, part image.Rectangle) *image.Paletted {
	seen := map[color.RGBA]int{}
	at := func(x, y int) color.RGBA { return color.RGBAModel.Convert(img.At(x, y)).(color.RGBA) }
	for y := part.Min.Y; y < part.Max.Y; y++ {
		for x := part.Min.X; x < part.Max.X; x++ {
			seen[at(x, y)]++
		}
	}
	all := make([]color.RGBA, 0, len(seen))
	for c := range seen {
		all = append(all, c)
	}
	slices.SortFunc(all, func(a, b color.RGBA) int {
		return cmp.Or(cmp.Compare(seen[b], seen[a]), cmp.Compare(a.R, b.R), cmp.Compare(a.G, b.G), cmp.Compare(a.B, b.B))
	})
	palette := make(color.Palette, 0, 256)
	for _, c := range all[:min(len(all), 256)] {
		palette = append(palette, c)
	}
	out := image.NewPaletted(part, palette)
	draw.Draw(out, part, img, part.Min, draw.Src)
	return out
}
