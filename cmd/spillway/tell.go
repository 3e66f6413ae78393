package main

import (
	"context"
	"crypto/x509"
	"errors"
	"fmt"
	"os"
	"regexp"
	"strings"
	"time"

	"spillway/actions"
	"spillway/actions/link"
	"spillway/actions/link/mqtt"
	"spillway/actions/run"
	"spillway/actions/settle"
	"spillway/actions/tell"
	"spillway/config"
)

// openTeller makes the one who tells the configured receivers. Connections of their own are among the closers.
func (d *daemon) openTeller() error {
	var list []tell.Receiver
	for _, t := range d.cfg.Tell {
		receivers, err := d.receivers(t)
		if err != nil {
			return fmt.Errorf("tell.%s: %w", t.Name, err)
		}
		list = append(list, receivers...)
	}
	d.teller = tell.New(tell.Config{Receivers: list, Store: d.journal, Clock: d.clock, Zone: d.cfg.Premises.Zone, Log: d.log})
	return nil
}

// receivers returns who a [tell.NAME] stands for: of mail, each address by itself, so that one that is refused keeps nobody
// else from being told.
func (d *daemon) receivers(t config.Tell) ([]tell.Receiver, error) {
	rules := tell.Rules{After: t.After, Windows: t.Windows}
	for _, f := range t.Faults {
		rules.Kinds = append(rules.Kinds, tell.Kind(f))
	}
	roots, err := readRoots(t.CAFile)
	if err != nil {
		return nil, err
	}
	switch t.By {
	case "webhook":
		return []tell.Receiver{{Name: t.Name, Rules: rules, Sender: tell.Webhook{URL: t.URL, User: t.User, Password: t.Password, Token: t.Token, Roots: roots}}}, nil
	case "mail":
		var list []tell.Receiver
		for _, to := range t.To {
			list = append(list, tell.Receiver{Name: t.Name + " " + to, Rules: rules,
				Sender: tell.Mail{URL: t.URL, From: t.From, To: to, User: t.User, Password: t.Password, Roots: roots}})
		}
		return list, nil
	}
	l := d.links[t.Link]
	if t.Link == "" {
		if l, err = openTellLink(t); err != nil {
			return nil, err
		}
		d.tellLinks = append(d.tellLinks, l)
	}
	if l == nil {
		return nil, fmt.Errorf("there is no link %s", t.Link)
	}
	return []tell.Receiver{{Name: t.Name, Rules: rules, Sender: tell.Topic{Topic: t.Topic, To: publisher{l, t.Name}}}}, nil
}

func readRoots(file string) (*x509.CertPool, error) {
	if file == "" {
		return nil, nil
	}
	pem, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("ca_file: %w", err)
	}
	roots := x509.NewCertPool()
	if !roots.AppendCertsFromPEM(pem) {
		return nil, errors.New("ca_file: holds no certificate in PEM form")
	}
	return roots, nil
}

// tellExpiry is how long a broker keeps a message for a receiver that is away.
const tellExpiry = 24 * time.Hour

func openTellLink(t config.Tell) (link.Link, error) {
	return mqtt.Open(actions.Link{Name: "tell." + t.Name, URL: t.URL, Protocol: "mqtt", Timeout: 10 * time.Second, Confirm: tellExpiry,
		User: t.User, Password: t.Password, CAFile: t.CAFile}, nil)
}

// A publisher puts messages on an MQTT link. They are no commands: the spacing between commands takes no note of them.
type publisher struct {
	link link.Link
	name string
}

// Publish publishes once, at least once being assured by the broker (QoS 1), and not retained.
func (p publisher) Publish(ctx context.Context, topic string, payload []byte) error {
	point := &actions.Point{Ref: actions.Ref{Device: "tell", Point: p.name}, Write: &actions.Address{Topic: topic, QoS: 1},
		Values: []actions.NamedValue{{Name: "message", Wire: string(payload)}}}
	return p.link.Write(ctx, point, actions.Named("message"))
}

// report says how things stand, for those who are told.
func (d *daemon) report(s run.Snapshot) tell.Report {
	var r tell.Report
	r.Faults, r.Behind = d.wrong(s)
	if s.Plan != nil {
		r.Faults = append(r.Faults, planFaults(s.Plan, d.cfg.Premises.Zone)...)
		r.Windows = takenWindows(s.Plan)
	}
	missing, known := d.missingCredits(d.clock.Now())
	r.Faults = append(r.Faults, missing...)
	if !known {
		r.Unknown = append(r.Unknown, tell.KindCredit)
	}
	return r
}

// tellKinds are the kinds of fault by the first word of a trouble's key.
var tellKinds = map[string]tell.Kind{
	"clock": tell.KindClock, "journal": tell.KindJournal, "restore": tell.KindRestore, "normal": tell.KindPoint, "read": tell.KindPoint,
	"share": tell.KindPoint, "link": tell.KindLink,
}

// faultOf is a trouble of the runner as a fault. What is wrong with a feed is taken from the feed itself, which knows since
// when.
func faultOf(t run.Trouble) (tell.Fault, bool) {
	about, name, _ := strings.Cut(t.Key, " ")
	kind, known := tellKinds[about]
	if !known {
		kind = tell.KindOther
	}
	key := t.Key
	if kind == tell.KindPoint {
		key = "point " + name // a point that cannot be read may be so twice over, and is told once
	}
	return tell.Fault{Key: key, Kind: kind, Where: t.Where, What: t.What, Since: t.Since}, about != "feed"
}

// faults are what is wrong with the feed. One that fails is told when it is stale: until then its last good copy serves.
func (f *watched) faults(began time.Time) []tell.Fault {
	r := f.feed.Current()
	f.mu.Lock()
	what, asked := f.now.Trouble, f.now.Asked
	f.mu.Unlock()
	if what == "" || asked.IsZero() {
		return nil
	}
	fault := tell.Fault{Key: "feed " + f.Name(), Kind: tell.KindFeed, Where: "feed " + f.Name(), What: what, Since: asked}
	if r.Err != nil {
		if fault.Since = r.Good; r.Good.IsZero() || r.Good.After(asked) {
			fault.Since = began
		}
		fault.Due = fault.Since.Add(f.cfg.StaleAfter)
	}
	return []tell.Fault{fault}
}

// problemFigures are the numbers of a problem, which change as the plan is made again while the problem stays the same.
var problemFigures = regexp.MustCompile(`\b[0-9]+(?:[.:][0-9]+)*\b`)

// planFaults are what cannot be met in the windows that are not over: one fault for all windows that have the same.
func planFaults(p *actions.Plan, zone *time.Location) []tell.Fault {
	var list []tell.Fault
	at := map[string]int{}
	for i := range p.Windows {
		w := &p.Windows[i]
		if w.State == actions.Completed || w.State == actions.Cancelled {
			continue
		}
		for _, problem := range w.Problems {
			key := "plan " + problemFigures.ReplaceAllString(problem, "#")
			j, known := at[key]
			if !known {
				j, at[key] = len(list), len(list)
				list = append(list, tell.Fault{Key: key, Kind: tell.KindPlan, Where: w.Title + ", " + w.Start.In(zone).Format("Mon 2 Jan 15:04"),
					What: problem, Since: p.At})
			}
			if w.End.After(list[j].Ends) {
				list[j].Ends = w.End
			}
		}
	}
	return list
}

func takenWindows(p *actions.Plan) []tell.Window {
	var list []tell.Window
	for i := range p.Windows {
		w := &p.Windows[i]
		if w.State != actions.Completed && w.State != actions.Cancelled {
			list = append(list, tell.Window{ID: w.ID, Title: w.Title, Start: w.Start, End: w.End, LeadIn: w.LeadIn, Problems: w.Problems})
		}
	}
	return list
}

// missingCredits returns the credits that should have come, or will be missed from when they should; known is false while
// what is due is being worked out.
func (d *daemon) missingCredits(now time.Time) (list []tell.Fault, known bool) {
	if len(d.cfg.Tell) == 0 || !d.settled.needed() {
		return nil, true
	}
	results, known := d.settled.hourly()
	zone := d.cfg.Premises.Zone
	for i := range results {
		r := &results[i]
		if p := r.Payment(now); p != settle.Expected && p != settle.Missing || now.Sub(r.ExpectedBy) > mostOverdue {
			continue
		}
		list = append(list, tell.Fault{Key: "credit " + r.Window.ID, Kind: tell.KindCredit,
			Where: r.Window.Title + ", " + r.Window.Start.In(zone).Format("Mon 2 Jan 15:04"),
			What: fmt.Sprintf("a credit of %s %s was expected by %s and is not recorded: ask for it, or record it with spillway settle --paid %s=AMOUNT",
				settle.Money(*r.Credit, r.Currency), r.Currency, r.ExpectedBy.In(zone).Format("Mon 2 Jan"), r.Window.ID),
			Since: r.Window.End, Due: r.ExpectedBy, Ends: r.ExpectedBy.Add(mostOverdue)})
	}
	return list, known
}

// mostOverdue is how long a credit is missed: whoever records none is not told of each for ever.
const mostOverdue = 60 * 24 * time.Hour
