package main

import (
	"net/http"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"spillway/actions"
	"spillway/actions/run"
	"spillway/actions/tell"
)

// metrics are the figures at /metrics. Counters move as entries are journaled, and live as long as the program; everything
// else is read from the newest state when somebody asks.
type metrics struct {
	registry *prometheus.Registry
	delay    prometheus.Histogram
	steps    *prometheus.CounterVec
	retries  *prometheus.CounterVec

	mu    sync.Mutex
	now   *daemon         // whose state is shown; nil: none yet
	first map[string]bool // steps whose first send is under way
}

func newMetrics() *metrics {
	m := &metrics{
		registry: prometheus.NewPedanticRegistry(),
		first:    map[string]bool{},
		delay: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "spillway_step_delay_seconds", Help: "Time from when a step was due to the end of its first send.",
			Buckets: []float64{.005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 15, 60, 300, 3600},
		}),
		steps: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "spillway_steps_total", Help: "Steps that came to an end, by their state.",
		}, []string{"state"}),
		retries: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "spillway_step_retries_total", Help: "Sends of a step after its first, by link.",
		}, []string{"link"}),
	}
	for _, s := range []actions.StepState{actions.Confirmed, actions.Assumed, actions.Skipped, actions.Failed} {
		m.steps.WithLabelValues(string(s))
	}
	m.registry.MustRegister(m.delay, m.steps, m.retries, standNow{m})
	return m
}

// show says whose state is shown from now on.
func (m *metrics) show(d *daemon) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.now = d
}

// count takes in an entry that was journaled. The entry of a send does not say which try it was; the intent before it did.
func (m *metrics) count(e actions.Entry) {
	m.mu.Lock()
	defer m.mu.Unlock()
	switch e.Kind {
	case actions.EntryIntent:
		if e.Tries == 1 {
			m.first[e.Step.ID] = true
			return
		}
		m.retries.WithLabelValues(e.Step.Link).Inc()
	case actions.EntrySent:
		if m.first[e.Step.ID] {
			m.delay.Observe(max(0, e.At.Sub(e.Step.At)).Seconds())
		}
	case actions.EntrySettled:
		m.steps.WithLabelValues(string(e.State)).Inc()
	}
	delete(m.first, e.Step.ID)
}

// handler serves the metrics as OpenMetrics, or in the older text format to whoever asks for text alone.
func (m *metrics) handler() http.Handler {
	h := promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{EnableOpenMetrics: true, MaxRequestsInFlight: 4})
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if a := r.Header.Get("Accept"); a == "" || a == "*/*" {
			r = r.Clone(r.Context())
			r.Header.Set("Accept", "application/openmetrics-text; version=1.0.0; charset=utf-8")
		}
		h.ServeHTTP(w, r)
	})
}

// standNow collects what is true now.
type standNow struct{ m *metrics }

func gauge(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("spillway_"+name, help, labels, nil)
}

// descs are the gauges, by name.
func descs() map[string]*prometheus.Desc {
	return map[string]*prometheus.Desc{
		"held":     gauge("held_points", "Points that are not at their normal, since a window holds them or they are still owed."),
		"windows":  gauge("windows", "Windows in the plan, by their state.", "state"),
		"faults":   gauge("faults", "Things that are wrong now, by what they are about.", "about"),
		"linkUp":   gauge("link_up", "1 where the link is not known to be out of reach.", "link"),
		"linkSent": gauge("link_last_send_timestamp_seconds", "End of the last send on the link.", "link"),
		"feedUp":   gauge("feed_up", "1 where the last poll of the feed was good.", "feed"),
		"feedGood": gauge("feed_last_good_timestamp_seconds", "When the feed's copy in force was fetched.", "feed"),
		"told":     gauge("tell_up", "1 where the last message to the receiver could be delivered.", "receiver"),
		"journal":  gauge("journal_up", "1 where the journal could be written last."),
		"plan":     gauge("plan_timestamp_seconds", "When the plan in force was made."),
	}
}

// Describe and Collect are prometheus's.
func (s standNow) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range descs() {
		ch <- d
	}
}

// Collect reads the newest state.
func (s standNow) Collect(ch chan<- prometheus.Metric) {
	s.m.mu.Lock()
	d := s.m.now
	s.m.mu.Unlock()
	if d == nil {
		return
	}
	snap, _ := d.runner.Snapshot()
	if snap.Plan == nil {
		return
	}
	c := gauges{ch: ch, descs: descs()}
	c.put("held", float64(len(snap.Owed())))
	c.put("journal", yes(d.pulse.wrote() == nil))
	c.put("plan", unix(snap.Plan.At))
	c.windows(snap.Plan)
	c.faults(d.wrongNow(snap))
	c.links(snap, &d.cfg.Premises)
	c.feeds(d)
	for _, h := range d.teller.Health() {
		c.put("told", yes(h.Err == nil), h.Receiver)
	}
}

// gauges writes what is true now.
type gauges struct {
	ch    chan<- prometheus.Metric
	descs map[string]*prometheus.Desc
}

func (c gauges) put(name string, value float64, labels ...string) {
	c.ch <- prometheus.MustNewConstMetric(c.descs[name], prometheus.GaugeValue, value, labels...)
}

func (c gauges) windows(p *actions.Plan) {
	count := map[actions.WindowState]int{actions.Far: 0, actions.Near: 0, actions.Active: 0, actions.Completed: 0, actions.Cancelled: 0}
	for i := range p.Windows {
		count[p.Windows[i].State]++
	}
	for state, n := range count {
		c.put("windows", float64(n), string(state))
	}
}

func (c gauges) faults(list []tell.Fault) {
	count := map[tell.Kind]int{}
	for _, kind := range []tell.Kind{tell.KindClock, tell.KindJournal, tell.KindRestore, tell.KindPoint, tell.KindLink, tell.KindFeed, tell.KindHygiene} {
		count[kind] = 0
	}
	for _, f := range list {
		count[f.Kind]++
	}
	for kind, n := range count {
		c.put("faults", float64(n), string(kind))
	}
}

func (c gauges) links(s run.Snapshot, p *actions.Premises) {
	down := map[string]bool{}
	for _, t := range s.Troubles {
		if name, ok := strings.CutPrefix(t.Key, "link "); ok {
			down[name] = true
		}
	}
	for i := range p.Links {
		name := p.Links[i].Name
		c.put("linkUp", yes(!down[name]), name)
		if at := s.Standing.Links[name].LastSend; !at.IsZero() {
			c.put("linkSent", unix(at), name)
		}
	}
}

func (c gauges) feeds(d *daemon) {
	for _, f := range d.feedsSeen {
		r := f.feed.Current()
		if r.Polled.IsZero() {
			continue
		}
		c.put("feedUp", yes(r.Err == nil), f.Name())
		if !r.Good.IsZero() {
			c.put("feedGood", unix(r.Good), f.Name())
		}
	}
}

func yes(is bool) float64 {
	if is {
		return 1
	}
	return 0
}

func unix(t time.Time) float64 { return float64(t.UnixMilli()) / 1000 }
