package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"spillway/actions"
	"spillway/actions/journal"
	"spillway/actions/link"
	"spillway/actions/publish"
	"spillway/actions/run"
	"spillway/calendar/feed"
	"spillway/cmd/spillway/page"
	"spillway/config"
)

const (
	// publishedPast is how far back the plan feed shows what was done.
	publishedPast = 7 * 24 * time.Hour
	// identitySecret names the secret that sets these premises apart from others which are set up alike: what is spread by
	// chance, such as the start of a window with stagger, is spread by it, and stays the same as long as the journal is kept.
	identitySecret = "premises"
	// feedSecret names the secret in the plan feed's path.
	feedSecret = "plan feed"
	// leaveWithin is how long --restore-on-exit tries before the program ends with something still owed.
	leaveWithin = 2 * time.Minute
)

// A daemon is the whole program wired together: feeds, planner, runner, journal, links and what it publishes.
type daemon struct {
	cfg       *config.Config
	clock     run.Clock
	log       *slog.Logger
	journal   *journal.Journal
	links     map[string]link.Link
	runner    *run.Runner
	plan      *publish.Feed
	secret    atomic.Pointer[string] // of the plan feed's path
	collector *collector             // nil: no CalDAV collection
	feedsSeen []*watched
	settled   *settler
	ln        net.Listener // nil: nothing is served
	srv       *http.Server
	keep      bool // the journal is somebody else's
	watch     bool // nothing is sent

	publishing sync.Mutex        // one publication at a time
	said       []string          // keys of the faults that the plan feed says
	warned     map[string]string // what went wrong last with what is published, by what it was
	aides
}

// daemonOptions are what differs from one start to another.
type daemonOptions struct {
	clock   run.Clock
	log     *slog.Logger
	watch   bool
	changed func(run.Snapshot) // also told of each new state; nil: nobody
	journal *journal.Journal   // open already, and left open; nil: it is opened
	metrics *metrics           // that go on counting; nil: new ones
	listen  map[string]string  // addresses to listen on, in place of those configured
}

// newDaemon opens everything and starts nothing. Close it in any case.
func newDaemon(ctx context.Context, cfg *config.Config, o daemonOptions) (_ *daemon, err error) {
	if cfg.State == "" {
		return nil, usagef(`%s: state is missing: name a folder for the journal, such as state = "/var/lib/spillway"`, cfg.File)
	}
	d := &daemon{cfg: cfg, clock: o.clock, log: o.log, watch: o.watch}
	defer func() {
		if err != nil {
			d.close()
		}
	}()
	if d.journal, d.keep = o.journal, o.journal != nil; !d.keep {
		if d.journal, err = journal.Open(cfg.State, journal.Options{Now: o.clock.Now}); err != nil {
			return nil, err
		}
	}
	if err := droppedDevices(d.journal.Standing(), &cfg.Premises); err != nil {
		return nil, usageError{err}
	}
	if cfg.Premises.Identity, err = d.journal.Secret(ctx, identitySecret); err != nil {
		return nil, err
	}
	if d.links, err = openLinks(&cfg.Premises); err != nil {
		return nil, usageError{err}
	}
	d.settled = newSettler(d)
	if err := d.openAides(ctx, o); err != nil {
		return nil, err
	}
	feeds, err := d.feeds()
	if err != nil {
		return nil, err
	}
	if d.plan, err = publish.Open(ctx, d.journal, cfg.Premises.Zone); err != nil {
		return nil, err
	}
	secret, err := d.journal.Secret(ctx, feedSecret)
	if err != nil {
		return nil, err
	}
	d.secret.Store(&secret)
	entries := func() []publish.Stamped { return d.plan.Rendering(cfg.Publish.Detail).Entries }
	if d.collector, err = newCollector(cfg.Publish, d.journal, entries, o.clock, o.log); err != nil {
		return nil, usageError{err}
	}
	d.runner = run.NewRunner(run.Config{
		Settings: run.Settings{Premises: &cfg.Premises, Journal: d.pulse, Horizon: cfg.Horizon, Readiness: cfg.Ready, Watch: o.watch, HygieneDue: d.hygiene.due},
		Clock:    o.clock,
		Links:    d.links,
		Feeds:    feeds,
		Log:      o.log,
		Samples:  d.keepSamples,
		Changed: func(s run.Snapshot) {
			d.publish(s)
			d.heard(s)
			if o.changed != nil {
				o.changed(s)
			}
		},
	})
	if err := d.listen(o); err != nil {
		return nil, err
	}
	return d, nil
}

// droppedDevices refuses a configuration that no longer has a point that must still be given back.
func droppedDevices(s actions.Standing, p *actions.Premises) error {
	var lost []string
	for ref, st := range s.Points {
		if pt := p.Point(ref); st.Owed && (pt == nil || pt.Write == nil) {
			lost = append(lost, fmt.Sprintf("%s is held and must go back to %s, but the configuration no longer has it: put it back in, run `spillway restore`, then take it out", ref, st.Normal))
		}
	}
	slices.Sort(lost)
	if len(lost) > 0 {
		return errors.New(strings.Join(lost, "\n"))
	}
	return nil
}

func (d *daemon) feeds() ([]run.Feed, error) {
	store := feed.Dir(feedFolder(d.cfg.State))
	var list []run.Feed
	for _, c := range d.cfg.Feeds {
		s, err := newSource(c, d.cfg, store, d.clock.Now)
		if err != nil {
			return nil, usageError{fmt.Errorf("feeds.%s: %w", c.Name, err)}
		}
		w := &watched{source: s}
		list, d.feedsSeen = append(list, announced{w, d}), append(d.feedsSeen, w)
	}
	return list, nil
}

// listen takes the address at once, so that a port in use is said before anything is held.
func (d *daemon) listen(o daemonOptions) error {
	if d.cfg.Publish.Listen == "" {
		return nil
	}
	handler, secure, err := d.handler(o.watch)
	if err != nil {
		return usageError{err}
	}
	ln, err := net.Listen("tcp", cmp.Or(o.listen[d.cfg.Publish.Listen], d.cfg.Publish.Listen))
	if err != nil {
		return usageError{fmt.Errorf("publish.listen: %w: choose another port, or 0 for a free one", err)}
	}
	d.ln = page.Limit(ln)
	d.srv = page.NewServer(handler, d.log)
	d.srv.TLSConfig = secure
	return nil
}

// serve answers until the daemon is closed.
func (d *daemon) serve() {
	if d.srv.TLSConfig != nil {
		_ = d.srv.ServeTLS(d.ln, "", "") // it ends with ErrServerClosed
		return
	}
	_ = d.srv.Serve(d.ln)
}

// run works until ctx ends; leave, where set, then gives everything back before the links are closed.
func (d *daemon) run(ctx context.Context, leave bool) error {
	work, stop := context.WithCancel(context.WithoutCancel(ctx))
	var beside sync.WaitGroup // what must have ended before the journal is closed
	defer beside.Wait()
	defer stop()
	beside.Go(func() { d.tidy(work) })
	beside.Go(func() { d.settleHourly(work) })
	beside.Go(func() { d.runAides(work) })
	if r := newRecorder(d); r != nil {
		beside.Go(func() { r.run(work) })
	}
	if err := serveControl(work, d); err != nil {
		d.log.Warn("`spillway restore` cannot reach this program: " + err.Error())
	}
	if d.srv != nil {
		go d.serve()
	}
	defer d.collect(work)()
	done := make(chan error, 1)
	go func() { done <- d.runner.Run(work) }()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
	}
	over := d.handOver.Load()
	if leave && !over {
		d.leave(work)
	}
	stop()
	err := <-done
	if s, _ := d.runner.Snapshot(); len(s.Owed()) > 0 && !over {
		d.log.Warn("stopped with points still held; the next start or `spillway restore` gives them back", "points", owedOn(s, ""))
	}
	return err
}

func (d *daemon) leave(ctx context.Context) {
	wait, cancel := context.WithCancel(ctx)
	defer cancel()
	timer, stop := d.clock.After(leaveWithin)
	defer stop()
	go func() {
		select {
		case <-timer:
			cancel()
		case <-wait.Done():
		}
	}()
	d.log.Info("giving every held point back before stopping")
	giveBack(wait, d.runner, "")
}

// publish brings the plan feed up to date with a new state, and remembers the windows for settlement.
func (d *daemon) publish(s run.Snapshot) {
	d.publishing.Lock()
	defer d.publishing.Unlock()
	d.publishNow(s)
}

func (d *daemon) publishNow(s run.Snapshot) {
	ctx := context.Background()
	windows := make([]journal.Window, 0, len(s.Plan.Windows))
	for _, w := range s.Plan.Windows {
		windows = append(windows, journal.WindowOf(w))
	}
	d.warn("the windows could not be remembered", d.journal.SaveWindows(ctx, windows))
	lines, err := d.journal.Log(ctx, journal.Query{From: s.At.Add(-publishedPast), To: s.At.Add(time.Hour)})
	d.warn("the plan feed lacks what was done", err)
	past, err := d.past(ctx, s)
	d.warn("the plan feed lacks past windows", err)
	settled, known := d.settled.hourly()
	wrong := d.feedFaults(s)
	d.said = faultKeys(wrong)
	changed, err := d.plan.Update(ctx, s.Plan, lines, &d.cfg.Premises, publish.Options{
		Zone: d.cfg.Premises.Zone, Now: s.At, Past: past, Standing: s.Standing, Faults: wrong,
		Remind: d.cfg.Publish.Remind, URL: d.linkURL(), Credits: credits(settled, d.clock.Now()), CreditsUnknown: !known,
	})
	d.collector.changed()
	d.warn("the plan feed's revisions could not be kept", err)
	if changed && d.cfg.Publish.File != "" {
		_, err := publish.WriteFile(d.cfg.Publish.File, d.plan.Rendering(d.cfg.Publish.Detail))
		d.warn("publish.file", err)
	}
}

// warn says in one line that something went wrong with what is published, and not again until it is something else; nil
// says that it went well.
func (d *daemon) warn(what string, err error) {
	why := ""
	if err != nil {
		lines := strings.Split(err.Error(), "\n") // joined errors are a line each, and often the same
		slices.Sort(lines)
		why = strings.Join(slices.Compact(lines), "; ")
	}
	if why == d.warned[what] {
		return
	}
	if d.warned == nil {
		d.warned = map[string]string{}
	}
	d.warned[what] = why
	if why != "" {
		d.log.Warn(what + ": " + why)
	}
}

// past returns the remembered windows that the plan no longer has and the feed still shows.
func (d *daemon) past(ctx context.Context, s run.Snapshot) ([]actions.PlannedWindow, error) {
	kept, err := d.journal.Windows(ctx, s.At.Add(-publishedPast), s.At.Add(d.cfg.Horizon))
	var past []actions.PlannedWindow
	for _, w := range kept {
		if s.Plan.Window(w.ID) == nil {
			past = append(past, actions.PlannedWindow{
				Window: actions.Window{ID: w.ID, UID: w.UID, RecurrenceID: w.RecurrenceID, Feed: w.Feed, Procedure: w.Procedure,
					Title: w.Title, Start: w.Start, End: w.End},
				State: w.State, LeadIn: w.Start, Done: w.End,
			})
		}
	}
	return past, err
}

// close ends what newDaemon opened.
func (d *daemon) close() {
	if d.srv != nil {
		_ = d.srv.Close()
	}
	if d.ln != nil {
		_ = d.ln.Close()
	}
	if d.settled != nil {
		d.settled.close()
	}
	d.closeAides()
	closeLinks(d.links)
	if d.journal != nil && !d.keep {
		_ = d.journal.Close()
	}
}
