package config

import (
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"spillway/actions"
	"spillway/actions/statement"
)

// A Level is the verdict of a finding.
type Level string

// The verdicts. Only a fault is a reason not to run.
const (
	OK    Level = "ok"
	Note  Level = "note"
	Amiss Level = "fault"
)

// A Finding is one thing that [Config.Check] looked at.
type Finding struct {
	Level Level
	Where string // key, with dots
	What  string // what was found, in one line
	Cure  string // what to do; "" where there is nothing to be done
}

// Check proves the sums before the day and says what a careful person would ask, without speaking to anything: the
// supply, then feeds, links, devices and procedures, by name. It never changes c.
func (c *Config) Check() []Finding {
	k := &checker{c: c, p: &c.Premises}
	for _, n := range c.Notices {
		k.add(Note, n.Key, "", "%s", n.What)
	}
	k.supply()
	k.feeds()
	k.links()
	k.devices()
	k.procedures()
	k.meter()
	return k.found
}

type checker struct {
	c     *Config
	p     *actions.Premises
	found []Finding
}

func (k *checker) add(level Level, where, cure, what string, args ...any) {
	k.found = append(k.found, Finding{Level: level, Where: where, What: oneLine(fmt.Sprintf(what, args...)), Cure: oneLine(cure)})
}

func (k *checker) supply() {
	s := &k.p.Supply
	if s.LimitW <= 0 {
		return // a notice says so
	}
	rest := s.OtherLoadsW / float64(max(1, s.Phases))
	switch {
	case s.OtherLoads != nil:
		k.add(OK, "supply", "", "%s per phase, less what %s reads", kw(s.LimitW), s.OtherLoads)
	case rest >= s.LimitW:
		k.add(Amiss, "supply", "lower other_loads or raise limit, as far as the service fuse allows",
			"other loads of %s leave nothing of the limit of %s", kw(rest), kw(s.LimitW))
	case rest == 0:
		k.add(Note, "supply", "write other_loads: what the rest of the premises may draw meanwhile",
			"%s per phase, and nothing allowed for the rest of the premises", kw(s.LimitW))
	default:
		k.add(OK, "supply", "", "%s per phase, of which other loads take %s", kw(s.LimitW), kw(rest))
	}
}

// kw writes a power as people read it.
func kw(w float64) string {
	s := strconv.FormatFloat(w/1000, 'f', 2, 64)
	return strings.TrimSuffix(strings.TrimRight(s, "0"), ".") + " kW"
}

func (k *checker) feeds() {
	if len(k.c.Feeds) == 0 {
		k.add(Note, "feeds", "write [feeds.NAME] with a url", "there is no feed, so there will be no windows")
	}
	for i := range k.c.Feeds {
		f := &k.c.Feeds[i]
		where := "feeds." + f.Name
		open := k.openPoints()
		switch {
		case f.Statements && len(open) > 0 && len(f.Organizers) == 0:
			k.add(Note, where, "name the organizers whose events count, though that is easily forged, or keep the calendar to yourself",
				"whoever can write to this calendar can set %s", strings.Join(open, ", "))
		case f.Statements && len(open) == 0:
			k.add(Note, where, "write open = true at the points that an event may set", "statements count, but no point is open")
		default:
			k.add(OK, where, "", "polled every %s; whoever can write to this calendar can call %s", statement.FormatDuration(f.Poll), callable(f))
		}
		if u, err := url.Parse(f.URL); err == nil && (u.Scheme == "http" || u.Scheme == "caldav") && !loopback(u.Hostname()) {
			k.add(Note, where+".url", "write https or caldavs where the calendar has it",
				"the calendar comes without TLS: whoever is on the way can change it")
		}
	}
}

func callable(f *Feed) string {
	if len(f.Procedures) == 0 {
		return "every procedure"
	}
	return strings.Join(f.Procedures, ", ")
}

func (k *checker) openPoints() []string {
	var all []string
	for i := range k.p.Devices {
		for j := range k.p.Devices[i].Points {
			if pt := &k.p.Devices[i].Points[j]; pt.Open {
				all = append(all, pt.Ref.String())
			}
		}
	}
	return all
}

// behind lists the devices on a link.
func (k *checker) behind(link string) []string {
	var all []string
	for i := range k.p.Devices {
		if k.p.Devices[i].Link == link {
			all = append(all, k.p.Devices[i].Name)
		}
	}
	return all
}

// held returns the procedures that hold a point, by name.
func (k *checker) held(ref actions.Ref) []string {
	var all []string
	for i := range k.p.Procedures {
		q := &k.p.Procedures[i]
		holds := func(s actions.Statement) bool { return s.Point == ref }
		if slices.ContainsFunc(q.LeadIn, holds) || slices.ContainsFunc(q.During, holds) {
			all = append(all, q.Name)
		}
	}
	return all
}
