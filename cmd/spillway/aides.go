package main

import (
	"context"
	"net/http"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"spillway/actions/journal"
	"spillway/actions/link"
	"spillway/actions/run"
	"spillway/actions/tell"
	"spillway/cmd/spillway/page"
)

// aides are what watch the runner beside the plan feed and the page, and tell of it. Snapshots and polls drive them; none
// works while nothing changes.
type aides struct {
	pulse     *pulse
	metrics   *metrics
	teller    *tell.Teller
	tellLinks []link.Link // connections that only telling has
	hygiene   *hygiene
	down      *downRule

	began    time.Time
	handOver atomic.Bool // another daemon takes over the journal and what is held
}

// openAides makes them. The journal, the links and the configuration are there.
func (d *daemon) openAides(ctx context.Context, o daemonOptions) (err error) {
	d.began = d.clock.Now()
	if d.metrics = o.metrics; d.metrics == nil {
		d.metrics = newMetrics()
	}
	d.pulse = &pulse{Journal: d.journal, count: d.metrics.count}
	if d.down, err = newDownRule(ctx, d.journal); err != nil {
		return err
	}
	if d.hygiene, err = newHygiene(ctx, d); err != nil {
		return err
	}
	d.hygiene.changed = d.reportNow
	return d.openTeller()
}

// runAides works until ctx ends.
func (d *daemon) runAides(ctx context.Context) {
	d.metrics.show(d)
	var all sync.WaitGroup
	all.Go(func() { d.teller.Run(ctx) })
	all.Go(func() { d.hygiene.run(ctx) })
	all.Wait()
}

func (d *daemon) closeAides() {
	for _, l := range d.tellLinks {
		_ = l.Close()
	}
}

// heard takes in a new state.
func (d *daemon) heard(s run.Snapshot) {
	for ref, r := range s.Readings {
		if !r.Failed {
			d.hygiene.take(ref, r.Value, r.At)
		}
	}
	d.teller.See(d.report(s))
}

// reportNow takes in the newest state once more, where something beside it has changed.
func (d *daemon) reportNow() {
	s, _ := d.runner.Snapshot()
	if s.Plan == nil {
		return
	}
	d.teller.See(d.report(s))
	d.publishing.Lock()
	defer d.publishing.Unlock()
	if s, _ = d.runner.Snapshot(); !slices.Equal(d.said, faultKeys(d.feedFaults(s))) {
		d.publishNow(s) // a tank or a feed is overdue without news from the runner
	}
}

// keepSamples writes down what points read as during a window, as evidence for settlement.
func (d *daemon) keepSamples(list []run.Sample) {
	samples := make([]journal.Sample, 0, len(list))
	for _, s := range list {
		samples = append(samples, journal.Sample{At: s.At, Ref: s.Ref, Value: s.Value})
		d.hygiene.take(s.Ref, s.Value, s.At)
	}
	if err := d.journal.SaveReadings(context.Background(), samples); err != nil {
		d.log.Warn("readings could not be kept: " + err.Error())
	}
}

// mountAides puts health and metrics beside the page. Health is anybody's who reaches the address; metrics are read by who
// may read the page.
func (d *daemon) mountAides(mux *http.ServeMux, p *page.Page) {
	mux.Handle("GET /healthz", newHealth(d))
	mux.Handle("GET /metrics", p.Reading(d.metrics.handler()))
}
