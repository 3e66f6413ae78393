package main

import (
	"slices"
	"strings"
	"time"

	"spillway/actions"
	"spillway/actions/publish"
	"spillway/actions/run"
	"spillway/actions/tell"
	"spillway/cmd/spillway/page"
)

// wrong returns what is wrong on the premises, or will be by its due time, but for what one window lacks or has earned.
// Behind are the keys of those that another one explains: the points of a box that is out of reach. They are not said.
func (d *daemon) wrong(s run.Snapshot) (list []tell.Fault, behind []string) {
	away := map[string]bool{}
	for _, t := range s.Troubles {
		if name, ok := strings.CutPrefix(t.Key, "link "); ok {
			away[name] = true
		}
	}
	for _, t := range s.Troubles {
		f, ok := faultOf(t)
		switch {
		case !ok:
		case f.Kind == tell.KindPoint && away[d.linkOf(t.Where)]:
			behind = append(behind, f.Key)
		default:
			list = append(list, f)
		}
	}
	for _, f := range d.feedsSeen {
		list = append(list, f.faults(d.began)...)
	}
	return append(list, d.hygiene.faults()...), behind
}

// linkOf returns the link of a point's device; "" where the text names none.
func (d *daemon) linkOf(point string) string {
	ref, err := actions.ParseRef(point)
	if err != nil {
		return ""
	}
	if dev := d.cfg.Premises.Device(ref.Device); dev != nil {
		return dev.Link
	}
	return ""
}

// wrongNow returns those of them that are due: what the page and the plan feed say.
func (d *daemon) wrongNow(s run.Snapshot) []tell.Fault {
	list, _ := d.wrong(s)
	now := d.clock.Now()
	return slices.DeleteFunc(list, func(f tell.Fault) bool { return f.Due.After(now) })
}

// pageFaults are what the page says.
func (d *daemon) pageFaults(s run.Snapshot) []page.Fault {
	var list []page.Fault
	for _, f := range d.wrongNow(s) {
		list = append(list, page.Fault{Where: f.Where, What: f.What, Since: f.Since})
	}
	return list
}

// feedFaults are what the plan feed says.
func (d *daemon) feedFaults(s run.Snapshot) []publish.Fault {
	var list []publish.Fault
	for _, f := range d.wrongNow(s) {
		list = append(list, publish.Fault{Key: f.Key, Title: f.Where, Text: f.What, Since: f.Since})
	}
	return append(list, d.collector.faults()...)
}

func faultKeys(list []publish.Fault) []string {
	keys := make([]string, 0, len(list))
	for _, f := range list {
		keys = append(keys, f.Key)
	}
	return keys
}

// tanksNow are the tanks with a hygiene temperature, for the page.
func (h *hygiene) tanksNow() []page.Tank {
	h.mu.Lock()
	defer h.mu.Unlock()
	var list []page.Tank
	for _, t := range h.tanks {
		list = append(list, page.Tank{Name: t.device.Name, ReachC: t.device.Hygiene.ReachC, Reached: t.Reached, Due: t.due()})
	}
	return list
}

// due is when the tank must have been hot again; zero where it was never read.
func (t *tank) due() time.Time {
	last := t.Reached
	if last.IsZero() {
		last = t.Since
	}
	if last.IsZero() {
		return time.Time{}
	}
	return last.Add(t.device.Hygiene.Every)
}
