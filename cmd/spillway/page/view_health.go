package page

import (
	"time"

	"spillway/actions"
)

// healthView is the health of feeds, links and hot water.
type healthView struct {
	Feeds []feedRow
	Links []linkRow
	Tanks []tankRow
}

type tankRow struct {
	Name  string
	Good  bool
	State string
	Seen  *moment // when it was hot enough last
	Due   *moment
}

type feedRow struct {
	Name    string
	Good    bool
	State   string
	Asked   *moment
	Copy    *moment // of the copy in force, where it is not of the last poll
	Next    *moment
	Windows string
}

type linkRow struct {
	Name, Protocol string
	Good           bool
	State          string
	Heard          *moment // the newest reading
	Sent           *moment // the end of the last command
	Devices        string
}

func (l *look) healthView() healthView {
	var v healthView
	if l.p.opt.Feeds != nil {
		for _, f := range l.p.opt.Feeds() {
			v.Feeds = append(v.Feeds, l.feed(f))
		}
	}
	for _, link := range l.p.opt.Premises.Links {
		v.Links = append(v.Links, l.link(link))
	}
	if l.p.opt.Tanks != nil {
		for _, t := range l.p.opt.Tanks() {
			v.Tanks = append(v.Tanks, l.tank(t))
		}
	}
	return v
}

func (l *look) tank(t Tank) tankRow {
	row := tankRow{Name: actions.Plain(t.Name), Good: true, Seen: l.moment(t.Reached), Due: l.moment(t.Due)}
	reach := actions.FormatQuantity(t.ReachC, "°C")
	switch {
	case t.Due.IsZero():
		row.State = "not read yet"
	case !l.now.Before(t.Due):
		row.Good, row.State = false, "its hygiene temperature of "+reach+" is overdue: see to its own hygiene programme"
	default:
		row.State = "in order"
	}
	return row
}

func (l *look) feed(f Feed) feedRow {
	row := feedRow{Name: actions.Plain(f.Name), Good: f.Trouble == "" && !f.Good.IsZero(), State: "in order", Asked: l.moment(f.Asked), Next: l.moment(f.Next),
		Windows: count(f.Windows, "window", "windows")}
	switch {
	case f.Trouble != "":
		row.State = clean(f.Trouble)
	case f.Asked.IsZero():
		row.State = "not asked yet"
	}
	if !f.Good.IsZero() && f.Asked.Sub(f.Good) > time.Second {
		row.Copy = l.moment(f.Good)
	}
	return row
}

func (l *look) link(link actions.Link) linkRow {
	row := linkRow{Name: actions.Plain(link.Name), Protocol: link.Protocol, Good: true, State: "in order"}
	for _, t := range l.snap.Troubles {
		if t.Key == "link "+link.Name {
			row.Good, row.State = false, clean(t.What)
		}
	}
	row.Sent = l.moment(l.snap.Standing.Links[link.Name].LastSend)
	var heard time.Time
	asked, failed, devices := 0, 0, 0
	for _, d := range l.p.opt.Premises.Devices {
		if d.Link != link.Name || !d.Enabled {
			continue
		}
		devices++
		for _, pt := range d.Points {
			r, known := l.snap.Readings[pt.Ref]
			if !known {
				continue
			}
			asked++
			if r.Failed {
				failed++
			}
			if r.At.After(heard) {
				heard = r.At
			}
		}
	}
	row.Heard, row.Devices = l.moment(heard), count(devices, "device", "devices")
	switch {
	case row.Good && asked == 0:
		row.State = "not asked yet"
	case row.Good && failed > 0:
		row.Good, row.State = false, count(failed, "point did", "points did")+" not answer when last asked"
	}
	return row
}
