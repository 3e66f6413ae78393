package main

import (
	"cmp"
	"context"
	"log/slog"
	"time"

	"spillway/actions"
	"spillway/actions/journal"
	"spillway/actions/link"
	"spillway/actions/meter"
	"spillway/actions/run"
	"spillway/actions/settle"
	"spillway/config"
)

const (
	// recordEvery is how often the meter point is read, on the whole minute so that a half hour begins with a reading.
	recordEvery = time.Minute
	// recordBatch is how many readings are written at once. What a crash loses of them lies within [meter.MostApart].
	recordBatch = 4
	// recordedInterval is that of what is recorded, where the configuration has none.
	recordedInterval = 30 * time.Minute
	// keepReadings is how long single readings are kept; what was recorded of the meter is kept as intervals before.
	keepReadings = 35 * 24 * time.Hour
)

// recordedKey is the journal's key of what was recorded of a point, as packed intervals.
func recordedKey(ref actions.Ref) string { return "meter recorded/" + ref.String() }

// recorded returns what run recorded of the meter point: the intervals, and after them the single readings; nil where no
// point is configured or nothing was recorded.
func (l *ledger) recorded(ctx context.Context) (*meter.Series, error) {
	ref := l.cfg.Meter.Point
	if ref == nil {
		return nil, nil
	}
	s, err := recordedUntil(ctx, l.kept, l.cfg, l.now.Add(time.Minute))
	if err != nil || s.Len() == 0 {
		return nil, err
	}
	l.meters = append(l.meters, settle.Source{Name: "what run recorded of " + ref.String()})
	return s, nil
}

// recordedUntil returns what was recorded before the instant.
func recordedUntil(ctx context.Context, kept keptRecord, cfg *config.Config, until time.Time) (*meter.Series, error) {
	ref := *cfg.Meter.Point
	whole := &meter.Series{}
	packed, ok, err := kept.Get(ctx, recordedKey(ref))
	if err == nil && ok {
		whole, err = meter.Unpack(ref.String(), packed)
	}
	if err != nil {
		return nil, err
	}
	_, from := whole.Bounds()
	if !from.IsZero() {
		from = from.Add(-2 * meter.MostApart)
	}
	readings, err := kept.Readings(ctx, ref, from, until)
	if err != nil {
		return nil, err
	}
	samples := make([]meter.Sample, 0, len(readings))
	for _, r := range readings {
		if r.Value.IsNumber() {
			samples = append(samples, meter.Sample{At: r.At, Value: r.Value.Number})
		}
	}
	interval := cmp.Or(cfg.Meter.Interval, recordedInterval)
	single, _, err := meter.Recorded(ref.String(), samples, cfg.Premises.Point(ref).Unit, interval, cfg.Meter.Net)
	if err != nil {
		return nil, err
	}
	return meter.Layer(whole, single), nil
}

// A recorder reads the meter point each minute and keeps what it read.
type recorder struct {
	cfg     *config.Config
	clock   run.Clock
	log     *slog.Logger
	journal *journal.Journal
	link    link.Link
	point   *actions.Point
	timeout time.Duration

	waiting []journal.Sample
	failing bool
	packed  time.Time // the UTC day whose intervals were packed last
}

// newRecorder returns nil where no point is configured, or its device is not enabled.
func newRecorder(d *daemon) *recorder {
	if d.cfg.Meter.Point == nil {
		return nil
	}
	device := d.cfg.Premises.Device(d.cfg.Meter.Point.Device)
	if !device.Enabled {
		d.log.Warn("the meter is not recorded, since the device of meter.point is not enabled", "device", device.Name)
		return nil
	}
	return &recorder{cfg: d.cfg, clock: d.clock, log: d.log, journal: d.journal, link: d.links[device.Link],
		point: device.Point(d.cfg.Meter.Point.Point), timeout: d.cfg.Premises.Link(device.Link).Timeout}
}

// run works until ctx ends.
func (r *recorder) run(ctx context.Context) {
	defer r.keep(context.WithoutCancel(ctx))
	for {
		now := r.clock.Now()
		timer, stop := r.clock.After(now.Truncate(recordEvery).Add(recordEvery).Sub(now))
		select {
		case <-ctx.Done():
			stop()
			return
		case <-timer:
		}
		r.read(ctx)
		if len(r.waiting) >= recordBatch {
			r.keep(ctx)
		}
		r.pack(ctx)
	}
}

// read reads the point once. That it cannot be read is said when it begins and when it ends.
func (r *recorder) read(ctx context.Context) {
	limit, cancel := context.WithTimeout(ctx, r.timeout)
	defer cancel()
	v, err := r.link.Read(limit, r.point)
	switch {
	case ctx.Err() != nil:
	case err != nil || !v.IsNumber():
		if !r.failing {
			r.log.Warn("the meter cannot be read, so nothing of it is recorded meanwhile", "point", r.point.Ref.String(), "why", err)
		}
		r.failing = true
	default:
		if r.failing {
			r.log.Info("the meter is read again", "point", r.point.Ref.String())
		}
		r.failing = false
		r.waiting = append(r.waiting, journal.Sample{At: r.clock.Now(), Ref: r.point.Ref, Value: v})
	}
}

// keep writes the readings that wait. Those that cannot be written are tried again with the next.
func (r *recorder) keep(ctx context.Context) {
	if len(r.waiting) == 0 {
		return
	}
	if err := r.journal.SaveReadings(ctx, r.waiting); err != nil {
		r.log.Warn("readings of the meter could not be kept: " + err.Error())
		r.waiting = r.waiting[max(0, len(r.waiting)-1000):]
		return
	}
	r.waiting = r.waiting[:0]
}

// pack keeps, once a day, the intervals of the days before, so that the single readings need not be kept for long.
func (r *recorder) pack(ctx context.Context) {
	now := r.clock.Now()
	day := now.Truncate(24 * time.Hour)
	if !r.packed.Before(day) || now.Sub(day) < 2*meter.MostApart {
		return
	}
	r.keep(ctx)
	s, err := recordedUntil(ctx, r.journal, r.cfg, day.Add(meter.MostApart))
	if err == nil && s.Len() > 0 {
		err = r.journal.Put(ctx, recordedKey(r.point.Ref), meter.Pack(s))
	}
	if err != nil {
		r.log.Warn("the recorded meter data could not be packed: " + err.Error())
		return
	}
	r.packed = day
}

// tidyFirst is how long after the start the journal is tidied first: a program that is started anew each day must come to
// it too.
const tidyFirst = 10 * time.Minute

// tidy forgets, soon after the start and then once a day until ctx ends, what the journal need not keep.
func (d *daemon) tidy(ctx context.Context) {
	for wait := tidyFirst; ; wait = 24 * time.Hour {
		timer, stop := d.clock.After(wait)
		select {
		case <-ctx.Done():
			stop()
			return
		case <-timer:
		}
		if err := d.journal.Prune(ctx, d.clock.Now().Add(-keepReadings)); err != nil && ctx.Err() == nil {
			d.log.Warn("the journal could not be tidied: " + err.Error())
		}
	}
}
