package announce

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// A zoneText is a zone as written: one of the two fields.
type zoneText struct {
	name string         // an abbreviation, upper case
	zone *time.Location // known from the text alone
}

// abbreviations that stand for zones. Most stand for several (IST for three), so that they count only where the zone of
// the house goes by them on the day.
func abbreviations() []string {
	return strings.Fields("GMT BST IST WET WEST CET CEST EET EEST MSK EST EDT CST CDT MST MDT PST PDT AKST AKDT HST AST ADT NST NDT " +
		"AEST AEDT ACST ACDT AWST NZST NZDT JST KST SGT HKT SAST WAT CAT EAT BRT ART PKT")
}

// zone recognises a zone after a time of day.
func (p *parser) zone(i int) (any, int, error) {
	if n := len(p.items); n == 0 || !p.afterClock(i) {
		return nil, i, nil
	}
	w := p.at(i)
	orig := ""
	if i < len(p.toks) {
		orig = p.toks[i].orig
	}
	switch {
	case w == "z" && p.glued(i), w == "utc", w == "gmt" && p.signed(i+1):
		if zone, to := p.offset(i + 1); to > i+1 {
			return zoneText{zone: zone}, to, nil
		}
		return zoneText{zone: time.UTC}, i + 1, nil
	case (w == "+" || w == "-") && p.glued(i) && p.glued(i+1) && p.num(i+1, 2, 4) >= 0 && (len(p.at(i+1)) == 4 || p.at(i+2) == ":") && !p.rangeOfTimes(i):
		if zone, to := p.offset(i); to > i {
			return zoneText{zone: zone}, to, nil
		}
	case slices.Contains(abbreviations(), strings.ToUpper(w)) && (orig == strings.ToUpper(orig) || w == "gmt"):
		return zoneText{name: strings.ToUpper(w)}, i + 1, nil
	case p.at(i+1) == "/" && p.glued(i+1) && p.glued(i+2) && p.kind(i) == word && p.kind(i+2) == word:
		return p.named(i)
	case p.kind(i) == word && p.at(i+1) == "time" && w != "local" && w != "this" && w != "the" && w != "clock" && w != "at" && w != "any":
		return zoneText{name: strings.ToUpper(w) + " TIME"}, i + 2, nil
	}
	return nil, i, nil
}

func (p *parser) signed(i int) bool { return (p.at(i) == "+" || p.at(i) == "-") && p.glued(i) }

// afterClock reports whether the newest item is a time that ends at token i, brackets aside.
func (p *parser) afterClock(i int) bool {
	last := p.items[len(p.items)-1]
	if _, ok := last.what.(clockText); !ok {
		return false
	}
	at := last.to
	for at < i && (p.at(at) == "(" || p.at(at) == "," || p.at(at) == "[" || p.at(at) == "in") {
		at++
	}
	return at == i
}

// rangeOfTimes reports whether the dash at token i begins the end of a stretch and no offset: 13:00-14:00.
func (p *parser) rangeOfTimes(i int) bool {
	if p.at(i) != "-" {
		return false
	}
	seconds := i >= 2 && p.at(i-2) == ":" && i >= 6 && p.at(i-6) == "t"
	return !seconds // only a stamp with T is likely to carry a negative offset
}

// offset reads +1, +01:00, +0530 or -5 at token i.
func (p *parser) offset(i int) (*time.Location, int) {
	if !p.signed(i) || !p.glued(i+1) {
		return nil, i
	}
	h, m, to := p.num(i+1, 1, 2), 0, i+2
	if four := p.num(i+1, 4, 4); four >= 0 {
		h, m = four/100, four%100
	} else if p.at(to) == ":" && p.glued(to) && p.num(to+1, 2, 2) >= 0 {
		m, to = p.num(to+1, 2, 2), to+2
	}
	if h < 0 || h > 14 || m > 59 {
		return nil, i
	}
	seconds := (h*60 + m) * 60
	if p.at(i) == "-" {
		seconds = -seconds
	}
	return time.FixedZone("UTC"+time.Unix(0, 0).In(time.FixedZone("", seconds)).Format("-07:00"), seconds), to
}

// named reads an IANA name at token i: Europe/London.
func (p *parser) named(i int) (any, int, error) {
	to := i + 3
	for p.glued(to) && (p.at(to) == "/" || p.at(to) == "_") && p.glued(to+1) && p.kind(to+1) == word {
		to += 2
	}
	name := p.text[p.toks[i].at:p.toks[to-1].end()]
	zone, err := time.LoadLocation(name)
	if err != nil {
		return nil, i, fmt.Errorf("there is no time zone %q", name)
	}
	return zoneText{zone: zone}, to, nil
}

// instant returns the one instant at which clocks in the zone show the time.
func instant(d date, minutes int, home *time.Location, written *zoneText) (time.Time, error) {
	zone := home
	if written != nil && written.zone != nil {
		zone = written.zone
	}
	wall := time.Date(d.year, d.month, d.day, 0, minutes, 0, 0, time.UTC)
	var at []time.Time
	for _, probe := range []time.Duration{-36 * time.Hour, 36 * time.Hour} {
		_, offset := wall.Add(probe).In(zone).Zone()
		t := wall.Add(-time.Duration(offset) * time.Second)
		if _, now := t.In(zone).Zone(); now == offset && !slices.ContainsFunc(at, t.Equal) {
			at = append(at, t)
		}
	}
	said := wall.Format("Mon 2 Jan 2006 15:04")
	if len(at) == 0 {
		return time.Time{}, fmt.Errorf("there is no %s in %s: the clocks go forward over it", said, zone)
	}
	if written != nil && written.name != "" {
		return written.among(at, said, home)
	}
	if len(at) > 1 {
		return time.Time{}, fmt.Errorf("%s comes twice in %s, since the clocks go back: write the zone with it", said, zone)
	}
	return at[0], nil
}

// among picks the instant at which the zone of the house goes by the name that is written.
func (z zoneText) among(at []time.Time, said string, home *time.Location) (time.Time, error) {
	if place, ok := strings.CutSuffix(z.name, " TIME"); ok {
		_, city, _ := strings.Cut(home.String(), "/")
		if !strings.EqualFold(place, city) {
			return time.Time{}, fmt.Errorf("the zone %q is not %s, that of the house: write the time in %s", strings.ToLower(z.name), home, home)
		}
		if len(at) == 1 {
			return at[0], nil
		}
		return time.Time{}, fmt.Errorf("%s comes twice in %s, since the clocks go back: write it with a zone", said, home)
	}
	var hit []time.Time
	for _, t := range at {
		name, offset := t.In(home).Zone()
		if name == z.name || z.name == "GMT" && offset == 0 {
			hit = append(hit, t)
		}
	}
	if len(hit) == 1 {
		return hit[0], nil
	}
	name, _ := at[0].In(home).Zone()
	return time.Time{}, fmt.Errorf("%s is not what the clocks of %s go by on that day (%s): write the time in %s, or as UTC", z.name, home, name, home)
}
