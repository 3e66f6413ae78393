package calendar

import (
	"fmt"
	"strings"
	"time"

	"spillway/calendar/civil"
	"spillway/calendar/recur"
	"spillway/calendar/scan"
)

// maxDates is how many EXDATE or RDATE values an event may have.
const maxDates = 50_000

// moment reads the date in d.prop with its TZID.
func (d *decoder) moment() (moment, error) {
	p := &d.prop
	v, err := civil.Parse(trimmed(p.Value))
	if err != nil {
		return moment{}, fmt.Errorf("%q %w", cutShort(string(p.Value), 40), err)
	}
	if v.Form != civil.DateOnly && strings.EqualFold(string(p.Param("VALUE")), "DATE") {
		v = civil.Value{Wall: v.Wall.Day().Wall(), Form: civil.DateOnly}
	}
	return d.inZone(v, p.Param("TZID")), nil
}

// inZone ties v to its zone (RFC 5545 3.2.19: a TZID counts neither for a DATE nor for a UTC time). An unknown zone refuses
// the event, which is then shown where it would be if its times were floating.
func (d *decoder) inZone(v civil.Value, tzid []byte) moment {
	m := moment{Value: v}
	switch {
	case v.Form == civil.UTC:
		m.zone = d.utc
	case v.Form == civil.DateOnly:
		m.zone = d.zone
	case len(tzid) == 0: // an empty TZID says nothing
		m.zone = d.floating(d.calendar)
	default:
		z, err := d.zoneOf(d.calendar, scan.Text(tzid))
		if err != nil {
			d.refused = err.Error()
			z = d.floating(d.calendar)
		}
		m.zone = z
	}
	m.at = m.zone.Instant(v.Wall)
	return m
}

// dateList reads an RDATE or EXDATE line. Times that name no zone are in DTSTART's.
func (d *decoder) dateList(l lateDates) error {
	p, e := &d.prop, d.event
	if err := p.Split(l.raw); err != nil {
		return err
	}
	for s := range strings.SplitSeq(string(p.Value), ",") {
		s = strings.TrimSpace(s)
		if s == "" {
			continue
		}
		if len(e.also)+len(e.except)+len(e.exceptDays) >= maxDates {
			return fmt.Errorf("the event has more than %d dates", maxDates)
		}
		if err := d.listedDate(s); err != nil {
			d.passOver(l.no, fmt.Errorf("%s %q %w", strings.ToUpper(string(p.Name)), cutShort(s, 60), err))
		}
	}
	return nil
}

// listedDate takes one value of the RDATE or EXDATE that d.prop holds.
func (d *decoder) listedDate(s string) error {
	first, rest, isPeriod := strings.Cut(s, "/")
	v, err := civil.Parse(first)
	if err != nil {
		return err
	}
	m := d.listed(v, d.prop.Param("TZID"))
	if d.prop.Is("EXDATE") {
		d.addException(m)
		return nil
	}
	return d.addDate(m, rest, isPeriod)
}

// addException takes one EXDATE. One that is a DATE takes away what starts on that day; for an all-day event every
// EXDATE means a day: that of its wall clock, or where it is a UTC time other than midnight, that of the instant.
func (d *decoder) addException(m moment) {
	e := d.event
	switch {
	case m.Form != civil.DateOnly && !e.allDay():
		e.except = append(e.except, m.at)
	case m.Form == civil.UTC && m.Wall.Second() != 0:
		e.exceptDays = append(e.exceptDays, e.start.zone.Wall(m.at).Day())
	default:
		e.exceptDays = append(e.exceptDays, m.Wall.Day())
	}
}

// listed ties a listed date to a zone: DTSTART's where it names none and both are local times.
func (d *decoder) listed(v civil.Value, tzid []byte) moment {
	if s := d.start; len(tzid) == 0 && v.Form == civil.Local && s.Form == civil.Local {
		return moment{v, s.zone, s.zone.Instant(v.Wall)}
	}
	return d.inZone(v, tzid)
}

// addDate takes one RDATE. A DATE for a timed event means DTSTART's time of that day.
func (d *decoder) addDate(m moment, rest string, isPeriod bool) error {
	e := d.event
	if m.Form == civil.DateOnly && e.start.Form != civil.DateOnly {
		m.Wall += civil.Wall(e.start.Wall.Second())
		m.at = e.start.zone.Instant(m.Wall)
	}
	p := period{in: recur.Instance{Wall: e.start.zone.Wall(m.at), At: m.at}}
	if isPeriod {
		p.ends = true
		if dur, err := civil.ParseDuration(rest); err == nil {
			p.end = m.zone.Instant(m.Wall+civil.Wall(dur.Days*civil.SecondsPerDay)) + int64(dur.Exact/time.Second)
		} else {
			v, err := civil.Parse(rest)
			if err != nil {
				return err
			}
			if end := d.listed(v, d.prop.Param("TZID")); v.Form == civil.Local {
				p.end = m.zone.Instant(v.Wall)
			} else {
				p.end = end.at
			}
		}
		if p.end < p.in.At {
			return errAfterEnd
		}
	}
	e.also = append(e.also, p)
	return nil
}
