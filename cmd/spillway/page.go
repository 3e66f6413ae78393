package main

import (
	"context"
	"crypto/tls"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"

	"spillway/actions/publish"
	"spillway/actions/run"
	"spillway/cmd/spillway/page"
	"spillway/config"
)

// handler serves the plan feed and the page. secure is nil where there is no certificate. An address that others reach
// without locks is refused.
func (d *daemon) handler(watch bool) (h http.Handler, secure *tls.Config, err error) {
	c := d.cfg.Publish
	locks := pageLocks(c)
	if err := page.Exposed(c.Listen, locks); err != nil {
		return nil, nil, err
	}
	if locks.TLS {
		cert, err := page.OpenCertificate(c.TLSCert, c.TLSKey)
		if err != nil {
			return nil, nil, err
		}
		secure, locks.Names = cert.TLS(), append(cert.Names(), c.Names...)
	}
	p, err := page.New(page.Options{
		Premises: &d.cfg.Premises, State: d.runner, Acts: d.runner, Record: d.journal, Settlement: d.settled, Feeds: d.feedsNow, Faults: d.pageFaults, Tanks: d.hygiene.tanksNow,
		TakeUp: func(ctx context.Context, id string) error {
			_, err := d.takeUp(ctx, downRequest{Window: id, Undo: true})
			return err
		},
		DownUntil: func() time.Time { return d.down.now(d.clock.Now()) },

		Now: d.clock.Now, Watch: watch, Locks: locks, Log: d.log,
		Calendar: publish.Plan(c.Detail, d.plan.Rendering), CalendarPath: d.feedPath,
	})
	if err != nil {
		return nil, nil, err
	}
	mux := http.NewServeMux()
	mux.Handle(publish.Prefix, publish.Handler(func() string { return *d.secret.Load() }, c.Detail, d.plan.Rendering))
	d.mountAides(mux, p)
	mux.Handle("/", p)
	return mux, secure, nil
}

func pageLocks(c config.Publish) page.Locks {
	return page.Locks{User: c.User, PasswordHash: c.PasswordHash, Token: c.Token, Listen: c.Listen, Names: c.Names, TLS: c.TLSCert != ""}
}

// checkPage says what is wrong with the page's locks beyond what the configuration itself tells.
func checkPage(c config.Publish) []verdict {
	if err := pageLocks(c).Check(); err != nil {
		return []verdict{{Level: "fault", Where: "publish.password_hash_file", What: err.Error()}}
	}
	return nil
}

// feedPath is the secret path of the plan feed.
func (d *daemon) feedPath() string { return publish.Prefix + *d.secret.Load() + ".ics" }

// feedURL is where the plan can be subscribed to; "" where it is not served.
func (d *daemon) feedURL() string {
	if d.ln == nil {
		return ""
	}
	return strings.TrimSuffix(d.pageURL(), "/") + d.feedPath()
}

// pageURL is where the page is; "" where it is not served. An address that stands for all of them is written as this
// machine's own.
func (d *daemon) pageURL() string {
	if d.ln == nil {
		return ""
	}
	scheme := "http://"
	if d.cfg.Publish.TLSCert != "" {
		scheme = "https://"
	}
	at := d.ln.Addr().String()
	if host, port, err := net.SplitHostPort(at); err == nil && net.ParseIP(host).IsUnspecified() {
		at = net.JoinHostPort("127.0.0.1", port)
	}
	return scheme + at + "/"
}

// watched is a feed whose polls the page hears of. Poll is for one goroutine, as that of the source is.
type watched struct {
	*source
	mu  sync.Mutex
	now page.Feed
}

// Poll polls the source, and notes how that went.
func (f *watched) Poll(ctx context.Context) (run.Polled, time.Time) {
	p, next := f.source.Poll(ctx)
	f.mu.Lock()
	defer f.mu.Unlock()
	f.now.Name, f.now.Next, f.now.Trouble, f.now.Good = f.Name(), next, p.Trouble, f.feed.Current().Good
	if !p.Saved {
		f.now.Asked = f.source.now()
	}
	if p.Good {
		f.now.Windows = len(p.Windows)
	}
	return p, next
}

func (d *daemon) feedsNow() []page.Feed {
	var list []page.Feed
	for _, f := range d.feedsSeen {
		f.mu.Lock()
		list = append(list, f.now)
		f.mu.Unlock()
	}
	return list
}
