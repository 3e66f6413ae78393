package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"sync"
	"time"

	"spillway/actions/publish"
	"spillway/actions/run"
	"spillway/config"
)

const (
	// collectFor is how long changes are gathered before they are put: steps come in bursts.
	collectFor = 5 * time.Second
	// A collection that fails is tried again after firstAgain, doubling to mostAgain.
	firstAgain = 30 * time.Second
	mostAgain  = time.Hour
	// syncWithin bounds one putting of everything that changed, and lastWithin the one at the end.
	syncWithin = 5 * time.Minute
	lastWithin = 5 * time.Second
)

// A collector keeps a CalDAV collection like the plan feed. It works beside everything else: a server that is slow or away
// delays nothing but itself.
type collector struct {
	sync    func(ctx context.Context, entries []publish.Stamped) (put, deleted int, err error)
	entries func() []publish.Stamped
	clock   run.Clock
	log     *slog.Logger
	wake    chan struct{}

	mu    sync.Mutex
	fault *publish.Fault // what is wrong now; nil: nothing
}

// newCollector returns the collector of a configuration; nil where it has no collection.
func newCollector(c config.Publish, store publish.Store, entries func() []publish.Stamped, clock run.Clock, log *slog.Logger) (*collector, error) {
	if c.CalDAV.URL == "" {
		return nil, nil
	}
	client, err := collectionClient(c.CalDAV.CAFile)
	if err != nil {
		return nil, fmt.Errorf("publish.caldav: %w", err)
	}
	to := &publish.Collection{Client: client, URL: c.CalDAV.URL, User: c.CalDAV.User, Password: c.CalDAV.Password, Token: c.CalDAV.Token, Store: store}
	return &collector{sync: to.Sync, entries: entries, clock: clock, log: log, wake: make(chan struct{}, 1)}, nil
}

// collectionClient follows no redirect: entries and password go to the configured address and nowhere else.
func collectionClient(caFile string) (*http.Client, error) {
	transport := &http.Transport{
		Proxy:               http.ProxyFromEnvironment,
		DialContext:         (&net.Dialer{Timeout: 10 * time.Second}).DialContext,
		TLSHandshakeTimeout: 10 * time.Second,
		MaxConnsPerHost:     1,
		IdleConnTimeout:     time.Minute,
	}
	if caFile != "" {
		pem, err := os.ReadFile(caFile)
		if err != nil {
			return nil, err
		}
		pool := x509.NewCertPool()
		if !pool.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("%s holds no certificate", caFile)
		}
		transport.TLSClientConfig = &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}
	}
	return &http.Client{
		Timeout:       30 * time.Second,
		Transport:     transport,
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}, nil
}

// changed says that the entries are others now. It never waits; on a nil collector it does nothing.
func (c *collector) changed() {
	if c == nil {
		return
	}
	select {
	case c.wake <- struct{}{}:
	default: // it is awake already
	}
}

// faults returns what is wrong with the collection, for the plan feed.
func (c *collector) faults() []publish.Fault {
	if c == nil {
		return nil
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.fault == nil {
		return nil
	}
	return []publish.Fault{*c.fault}
}

// run works until ctx ends, and then puts what is still unsaid, if that goes quickly.
func (c *collector) run(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-c.wake:
		}
		pause := collectFor
		for {
			if !c.wait(ctx, pause) {
				c.last(ctx)
				return
			}
			err := c.put(ctx, syncWithin)
			if err == nil {
				break
			}
			pause = max(firstAgain, min(2*pause, mostAgain))
		}
	}
}

// wait waits by the clock. It reports false where ctx ended first.
func (c *collector) wait(ctx context.Context, d time.Duration) bool {
	timer, stop := c.clock.After(d)
	defer stop()
	select {
	case <-ctx.Done():
		return false
	case <-timer:
		return true
	}
}

func (c *collector) last(ctx context.Context) {
	_ = c.put(context.WithoutCancel(ctx), lastWithin)
}

// put brings the collection up to date once.
func (c *collector) put(ctx context.Context, within time.Duration) error {
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	put, deleted, err := c.sync(ctx, c.entries())
	if put+deleted > 0 {
		c.log.Debug("the plan was put into the calendar", "entries", put, "taken out", deleted)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case err == nil && c.fault != nil:
		c.log.Info("the plan is in the calendar again")
		c.fault = nil
	case err != nil && c.fault == nil:
		c.log.Warn(err.Error())
		c.fault = &publish.Fault{Key: "publish caldav", Title: "the plan is not in the calendar", Since: c.clock.Now()}
		fallthrough
	case err != nil:
		c.fault.Text = err.Error() + "; it is tried again until it is"
	}
	return err
}

// collect keeps the collection until the function it returns is called, after the last change.
func (d *daemon) collect(ctx context.Context) (end func()) {
	if d.collector == nil {
		return func() {}
	}
	ctx, stop := context.WithCancel(context.WithoutCancel(ctx))
	ended := make(chan struct{})
	go func() {
		d.collector.run(ctx)
		close(ended)
	}()
	return func() {
		stop()
		<-ended
	}
}

// linkURL is the page's address as the plan's entries carry it; "" where no reader could open it. An address of this
// machine alone goes only where the entries do not leave it either, and a port that changes with every start nowhere.
func (d *daemon) linkURL() string {
	c := d.cfg.Publish
	host, port, err := net.SplitHostPort(c.Listen)
	if err != nil || port == "0" {
		return ""
	}
	ip := net.ParseIP(host)
	switch {
	case len(c.Names) > 0:
		if isLoopback(host) { // a proxy of that name stands before it
			return "https://" + c.Names[0] + "/"
		}
		return "https://" + net.JoinHostPort(c.Names[0], port) + "/" // beyond this machine nothing is served without TLS
	case isLoopback(host) && (c.File != "" || c.CalDAV.URL != ""), host == "", ip != nil && ip.IsUnspecified():
		return ""
	}
	return d.pageURL()
}
