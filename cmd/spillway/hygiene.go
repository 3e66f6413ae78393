package main

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"spillway/actions"
	"spillway/actions/journal"
	"spillway/actions/link"
	"spillway/actions/run"
	"spillway/actions/statement"
	"spillway/actions/tell"
)

const (
	// hygieneEvery is how often a tank's temperature is read for its hygiene: a full tank cools by a degree in an hour or
	// so (common practice, no source), so a peak is seen.
	hygieneEvery = 10 * time.Minute
	// hygieneKeep is how soon a tank that stays hot is written down again.
	hygieneKeep = time.Hour
)

// A hygiene watches that each tank reaches its hygiene temperature often enough. It only looks: heating is the tank's own
// programme's business.
type hygiene struct {
	clock   run.Clock
	log     *slog.Logger
	journal *journal.Journal
	zone    *time.Location
	changed func() // called when a tank has reached its temperature

	mu    sync.Mutex
	tanks []*tank
}

// A tank is one device with a hygiene temperature.
type tank struct {
	device *actions.Device
	point  *actions.Point
	link   link.Link
	limit  time.Duration // of one reading
	hygieneRecord
	kept  time.Time // when the record was written
	heard time.Time // of the newest reading
}

// A hygieneRecord is what is remembered of a tank.
type hygieneRecord struct {
	Since   time.Time `json:"since"`   // when it was watched first
	Reached time.Time `json:"reached"` // when it was hot enough last; zero: never seen
}

// newHygiene reads what is remembered. There may be no tank to watch.
func newHygiene(ctx context.Context, d *daemon) (*hygiene, error) {
	h := &hygiene{clock: d.clock, log: d.log, journal: d.journal, zone: d.cfg.Premises.Zone}
	for i := range d.cfg.Premises.Devices {
		dev := &d.cfg.Premises.Devices[i]
		p := dev.Point(dev.Level)
		if dev.Hygiene.Every <= 0 || p == nil || p.Read == nil || !dev.Enabled {
			continue
		}
		t := &tank{device: dev, point: p, link: d.links[dev.Link], limit: d.cfg.Premises.Link(dev.Link).Timeout}
		if err := h.remember(ctx, t); err != nil {
			return nil, err
		}
		h.tanks = append(h.tanks, t)
	}
	return h, nil
}

func hygieneKey(device string) string { return "hygiene/" + device }

// remember finds when the tank was hot enough last: as it was written down, or as a window's readings show.
func (h *hygiene) remember(ctx context.Context, t *tank) error {
	raw, ok, err := h.journal.Get(ctx, hygieneKey(t.device.Name))
	if err == nil && ok {
		err = json.Unmarshal(raw, &t.hygieneRecord)
	}
	if err != nil {
		return fmt.Errorf("read the hygiene record of %s: %w", t.device.Name, err)
	}
	now := h.clock.Now()
	readings, err := h.journal.Readings(ctx, t.point.Ref, now.Add(-t.device.Hygiene.Every), now)
	if err != nil {
		return err
	}
	for _, r := range readings {
		if t.hot(r.Value) && r.At.After(t.Reached) {
			t.Reached = r.At
		}
	}
	return nil
}

// hot reports whether a reading is the hygiene temperature, as close as the point can tell.
func (t *tank) hot(v actions.Value) bool {
	return v.IsNumber() && v.Number >= t.device.Hygiene.ReachC
}

// take looks at a reading of any point.
func (h *hygiene) take(ref actions.Ref, v actions.Value, at time.Time) {
	for _, t := range h.tanks {
		if t.point.Ref == ref && v.Known {
			h.note(t, v, at)
		}
	}
}

func (h *hygiene) note(t *tank, v actions.Value, at time.Time) {
	h.mu.Lock()
	t.mendClock(h.clock.Now())
	if !at.After(t.heard) {
		h.mu.Unlock()
		return
	}
	t.heard = at
	first := t.Since.IsZero()
	if first {
		t.Since = at
	}
	reached := t.hot(v) && at.After(t.Reached)
	if reached {
		t.Reached = at
	}
	write := first || reached && at.Sub(t.kept) >= hygieneKeep
	if write {
		t.kept = at
	}
	record := t.hygieneRecord
	h.mu.Unlock()
	if !write {
		return
	}
	raw, err := json.Marshal(record)
	if err == nil {
		err = h.journal.Put(context.Background(), hygieneKey(t.device.Name), raw)
	}
	if err != nil {
		h.log.Warn("that a tank was hot enough could not be written down: "+err.Error(), "device", t.device.Name)
	}
	if h.changed != nil {
		h.changed()
	}
}

// mendClock takes back what a clock that stood ahead has noted.
func (t *tank) mendClock(now time.Time) {
	if t.heard.After(now) {
		t.heard, t.kept = time.Time{}, time.Time{}
	}
	if t.Reached.After(now) {
		t.Reached = now
	}
	if t.Since.After(now) {
		t.Since = now
	}
}

// due says of each tank when its hygiene temperature is due again, where it is known: a plan does not put that off.
func (h *hygiene) due() map[string]time.Time {
	h.mu.Lock()
	defer h.mu.Unlock()
	due := make(map[string]time.Time, len(h.tanks))
	for _, t := range h.tanks {
		t.next(due)
	}
	return due
}

// next notes when the tank's hygiene temperature is due again: since it was reached, or since the tank is watched.
func (t *tank) next(due map[string]time.Time) {
	last := t.Reached
	if last.IsZero() {
		last = t.Since
	}
	if !last.IsZero() {
		due[t.device.Name] = last.Add(t.device.Hygiene.Every)
	}
}

// hygieneDue reads from a journal what the daemon has seen of each tank.
func hygieneDue(ctx context.Context, j *journal.Reader, p *actions.Premises) (map[string]time.Time, error) {
	due := map[string]time.Time{}
	for i := range p.Devices {
		t := tank{device: &p.Devices[i]}
		if t.device.Hygiene.Every <= 0 {
			continue
		}
		raw, ok, err := j.Get(ctx, hygieneKey(t.device.Name))
		if err == nil && ok {
			err = json.Unmarshal(raw, &t.hygieneRecord)
		}
		if err != nil {
			return nil, fmt.Errorf("read the hygiene record of %s: %w", t.device.Name, err)
		}
		t.next(due)
	}
	return due, nil
}

// faults are the tanks that are or will be overdue, and from when.
func (h *hygiene) faults() []tell.Fault {
	h.mu.Lock()
	defer h.mu.Unlock()
	var list []tell.Fault
	for _, t := range h.tanks {
		last, said := t.Reached, "was seen last on "+t.Reached.In(h.zone).Format("Mon 2 Jan")
		if last.IsZero() {
			last, said = t.Since, "was not seen since it is watched, on "+t.Since.In(h.zone).Format("Mon 2 Jan")
		}
		if t.due().IsZero() {
			continue // never read: the link's own fault says so
		}
		g := t.device.Hygiene
		list = append(list, tell.Fault{Key: "hygiene " + t.device.Name, Kind: tell.KindHygiene, Where: t.device.Name,
			What: fmt.Sprintf("its hygiene temperature of %s, wanted every %s, %s: see to its own hygiene programme",
				actions.FormatQuantity(g.ReachC, "°C"), statement.FormatDuration(g.Every), said),
			Since: last, Due: t.due()})
	}
	return list
}

// run reads the tanks until ctx ends. Where there is none it ends at once.
func (h *hygiene) run(ctx context.Context) {
	for len(h.tanks) > 0 && ctx.Err() == nil {
		for _, t := range h.tanks {
			h.read(ctx, t)
		}
		timer, stop := h.clock.After(hygieneEvery)
		select {
		case <-ctx.Done():
		case <-timer:
		}
		stop()
	}
}

// read asks the tank, unless the runner has heard of it a moment ago.
func (h *hygiene) read(ctx context.Context, t *tank) {
	h.mu.Lock()
	t.mendClock(h.clock.Now())
	fresh := h.clock.Now().Sub(t.heard) < hygieneEvery
	h.mu.Unlock()
	if fresh {
		return
	}
	limit, cancel := context.WithTimeout(ctx, t.limit)
	defer cancel()
	v, err := t.link.Read(limit, t.point)
	if err != nil {
		h.log.Debug("a tank's temperature could not be read: "+err.Error(), "device", t.device.Name)
		return
	}
	if v.Known {
		h.note(t, v, h.clock.Now())
	}
}
