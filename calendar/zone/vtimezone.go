package zone

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"spillway/calendar/civil"
	"spillway/calendar/recur"
	"spillway/calendar/scan"
)

// An observance is a STANDARD or DAYLIGHT part of a VTIMEZONE (RFC 5545 3.6.5).
type observance struct {
	start    civil.Wall
	from, to int // offsets before and from each onset
	hasStart bool
	hasFrom  bool
	hasTo    bool
	rules    []recur.Rule
	dates    []civil.Wall
}

// A definition is a VTIMEZONE evaluated as far as it was asked for.
type definition struct {
	parts    []observance
	until    int64 // onsets are known up to here
	segments []segment
	budget   *recur.Budget
	err      error
}

// The bounds on what a VTIMEZONE may ask for. A yearly pair of rules from 1601 to 9999 has 17,000 onsets.
const (
	maxOnsets  = 20_000
	zoneBudget = 2_000_000
	onsetCost  = 20
)

// Parse evaluates a VTIMEZONE, given from its BEGIN to its END; line is the number of its first line. Its rules are applied
// as they stand, whatever zone its name suggests. Before its first onset the offset is that onset's TZOFFSETFROM.
//
// The work comes out of budget, which is kept for what is asked of the zone later.
func Parse(text []byte, line int, budget *recur.Budget) (*Zone, error) {
	d, name, err := parse(text, line)
	if err != nil {
		return nil, err
	}
	d.budget = budget
	d.extend(defaultUntil)
	if d.err != nil {
		return nil, d.err
	}
	return &Zone{name: name, find: d.find}, nil
}

// defaultUntil is 2050: later onsets are worked out when somebody asks.
const defaultUntil = 80 * 365 * 86400

// ID returns the TZID of a VTIMEZONE, "" where it has none.
func ID(text []byte, line int) string {
	var p scan.Prop
	for _, raw := range scan.Lines(text, line) {
		if p.Split(raw) == nil && p.Is("TZID") {
			return scan.Text(p.Value)
		}
	}
	return ""
}

func parse(text []byte, line int) (*definition, string, error) {
	d, name := &definition{until: math.MinInt64}, ""
	var p scan.Prop
	var part *observance
	for n, raw := range scan.Lines(text, line) {
		if comp, begins, ends := scan.Boundary(raw); begins || ends {
			is := isObservance(comp)
			if begins && is {
				d.parts = append(d.parts, observance{})
				part = &d.parts[len(d.parts)-1]
			} else if ends && is {
				part = nil
			}
			continue
		}
		if err := p.Split(raw); err != nil {
			continue // a comment or an extension: what matters is checked below
		}
		if part == nil {
			if p.Is("TZID") {
				name = scan.Text(p.Value)
			}
			continue
		}
		if err := part.set(&p); err != nil {
			return nil, "", fmt.Errorf("its line %d: %w", n, err)
		}
	}
	for i := range d.parts {
		if err := d.parts[i].complete(); err != nil {
			return nil, "", err
		}
	}
	if len(d.parts) == 0 {
		return nil, "", errors.New("it has neither STANDARD nor DAYLIGHT")
	}
	return d, name, nil
}

func isObservance(comp []byte) bool {
	p := scan.Prop{Name: comp}
	return p.Is("STANDARD") || p.Is("DAYLIGHT")
}

func (o *observance) set(p *scan.Prop) (err error) {
	p.Value = bytes.TrimSpace(p.Value)
	switch {
	case p.Is("DTSTART"):
		var v civil.Value
		v, err = civil.Parse(p.Value)
		o.start, o.hasStart = v.Wall, true
	case p.Is("TZOFFSETFROM"):
		o.from, err = civil.ParseOffset(p.Value)
		o.hasFrom = true
	case p.Is("TZOFFSETTO"):
		o.to, err = civil.ParseOffset(p.Value)
		o.hasTo = true
	case p.Is("RRULE"):
		var r recur.Rule
		if r, err = recur.Parse(string(p.Value)); err == nil {
			o.rules = append(o.rules, r)
		}
	case p.Is("RDATE"):
		for v := range strings.SplitSeq(string(p.Value), ",") {
			date, _, _ := strings.Cut(strings.TrimSpace(v), "/") // of a PERIOD, its start
			if date == "" {
				continue
			}
			d, err := civil.Parse(date)
			if err != nil {
				return fmt.Errorf("RDATE %q %w", v, err)
			}
			o.dates = append(o.dates, d.Wall)
			if len(o.dates) > maxOnsets {
				return errors.New("it has too many dates")
			}
		}
	}
	if err != nil {
		return fmt.Errorf("%s: %w", p.Name, err)
	}
	return nil
}

func (o *observance) complete() error {
	if !o.hasStart || !o.hasTo {
		return errors.New("a part of it lacks DTSTART or TZOFFSETTO")
	}
	if !o.hasFrom {
		o.from = o.to
	}
	return nil
}

// fixed is a clock with one offset.
type fixed int

func (f fixed) Instant(w civil.Wall) int64 { return int64(w) - int64(f) }
func (f fixed) Wall(at int64) civil.Wall   { return civil.Wall(at + int64(f)) }

// an onset is when an observance begins.
type onset struct {
	at       int64
	from, to int
}

// extend works out the segments up to until.
func (d *definition) extend(until int64) {
	d.until = until
	var onsets []onset
	own := recur.Budget{Left: min(zoneBudget, d.budget.Left)}
	had := own.Left
	defer func() { d.budget.Left -= had - own.Left }()
	for i := range d.parts {
		o := &d.parts[i]
		clock := fixed(o.from)
		add := func(in recur.Instance) bool {
			onsets = append(onsets, onset{in.At, o.from, o.to})
			own.Left -= onsetCost
			return len(onsets) <= maxOnsets
		}
		start := recur.Instance{Wall: o.start, At: clock.Instant(o.start)}
		if len(o.rules) == 0 { // a rule says itself whether its start is one of its dates
			add(start)
		}
		for _, w := range o.dates {
			add(recur.Instance{Wall: w, At: clock.Instant(w)})
		}
		for j := range o.rules {
			if err := o.rules[j].Expand(start, false, clock, math.MinInt64/2, until, &own, add); err != nil {
				d.err = err
				return
			}
		}
		if len(onsets) > maxOnsets {
			d.err = errors.New("its rules change the clock too often")
			return
		}
	}
	d.join(onsets)
}

// join turns onsets into segments. Of onsets at one instant the later written counts.
func (d *definition) join(onsets []onset) {
	sort.SliceStable(onsets, func(i, j int) bool { return onsets[i].at < onsets[j].at })
	d.segments = d.segments[:0]
	if len(onsets) == 0 { // its rules yield nothing: what they would change to is all there is
		d.segments = append(d.segments, segment{always[0], always[1], d.parts[0].to})
		return
	}
	last := segment{always[0], always[1], onsets[0].from}
	for _, o := range onsets {
		if o.to == last.offset {
			continue
		}
		last.to = o.at
		if last.to > last.from {
			d.segments = append(d.segments, last)
		}
		last = segment{o.at, always[1], o.to}
	}
	d.segments = append(d.segments, last)
}

// find returns the segment that at falls in. Past what is known it looks on; rules too heavy for that keep their last offset.
func (d *definition) find(at int64) segment {
	if at >= d.until-slack && d.err == nil {
		d.extend(max(at+slack+10*365*86400, d.until))
	}
	i, found := slices.BinarySearchFunc(d.segments, at, func(s segment, at int64) int {
		switch {
		case s.to <= at:
			return -1
		case s.from > at:
			return 1
		}
		return 0
	})
	if !found {
		i = min(i, len(d.segments)-1)
	}
	s := d.segments[i]
	if s.to == always[1] && d.err == nil {
		s.to = max(d.until, at+1) // what comes after is not known yet
	}
	return s
}
