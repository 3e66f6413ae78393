package draw

import (
	"math"
	"slices"
	"time"

	"spillway/actions"
)

// A trace is one point over time.
type trace struct {
	ref      actions.Ref
	segments []segment
	lines    []actions.StepStanding
}

// A segment is a stretch on which a point has one value.
type segment struct {
	from, to time.Time
	value    actions.Value
	held     bool
}

// lanes draws a lane for each device and in it a trace for each of its points that steps.
func (d *drawing) lanes(p *panel) {
	names, fills := d.devices(p)
	for _, device := range names {
		if !d.wide {
			d.text("text", actions.Heading(device), "x", p.x0, "y", d.y+13, "class", "dev halo")
			d.y += 17
		}
		first := true
		for _, t := range traces(p, device) {
			label := actions.Plain(t.ref.Point)
			if d.wide {
				if first {
					d.text("text", cut(actions.Heading(device), 12, 104), "x", gap, "y", d.y+18, "class", "dev")
				}
				d.text("text", cut(label, 11, 84), "x", p.x0-8, "y", d.y+18, "class", "small soft end")
			}
			d.trace(p, t, fills[device], label)
			first = false
			d.y += traceH
		}
		d.y += 4
		d.el("path", "d", "M"+num(gap)+" "+num(d.y)+"H"+num(p.x1), "class", "rule")
		d.y += 2
	}
	d.y += 16
}

// traces returns the device's points in the order of their first step.
func traces(p *panel, device string) []trace {
	var list []trace
	for _, l := range p.lines {
		if l.Step.Point.Device != device {
			continue
		}
		i := slices.IndexFunc(list, func(t trace) bool { return t.ref == l.Step.Point })
		if i < 0 {
			i = len(list)
			list = append(list, trace{ref: l.Step.Point, segments: []segment{{from: p.from, value: l.Step.From}}})
		}
		list[i].add(l)
	}
	for i := range list {
		last := len(list[i].segments) - 1
		list[i].segments[last].to = p.to
	}
	return list
}

// add lets a step change the trace, unless it came to nothing.
func (t *trace) add(l actions.StepStanding) {
	t.lines = append(t.lines, l)
	if l.State == actions.Failed || l.State == actions.Skipped {
		return
	}
	t.segments[len(t.segments)-1].to = l.Step.At
	t.segments = append(t.segments, segment{from: l.Step.At, value: l.Step.Value, held: !l.Step.Release})
}

// level returns how high a value stands, from 0 to 1: a number between the least and the most that the trace shows, on
// above off, and any other name high while it is held.
func (t *trace) level(s segment) float64 {
	if s.value.IsNumber() {
		lo, hi := 0.0, 0.0
		for _, o := range t.segments {
			lo, hi = math.Min(lo, o.value.Number), math.Max(hi, o.value.Number)
		}
		if hi == lo {
			return 0
		}
		return (s.value.Number - lo) / (hi - lo)
	}
	switch {
	case s.value.Name == "on", s.held && s.value.Known && s.value.Name != "off":
		return 1
	}
	return 0
}

func (d *drawing) trace(p *panel, t trace, fillNo int, label string) {
	low, high := d.y+23, d.y+6
	var sure, unsure path
	at := func(s segment) float64 { return low - (low-high)*t.level(s) }
	for i, s := range t.segments {
		x, end := p.inside(s.from), p.inside(s.to)
		if s.held {
			d.el("rect", "x", x, "y", d.y+3, "width", math.Max(end-x, 1), "height", traceH-6, "class", "held "+fill(fillNo))
		}
		line := &sure
		if !s.value.Known {
			line = &unsure
		}
		if i > 0 {
			line.move(x, at(t.segments[i-1]))
			line.line(x, at(s))
		} else {
			line.move(x, at(s))
		}
		line.line(end, at(s))
	}
	if s := sure.String(); s != "" {
		d.el("path", "d", s, "class", "wave")
	}
	if s := unsure.String(); s != "" {
		d.el("path", "d", s, "class", "wave unsure")
	}
	d.labels(p, t, label, at)
	d.balls(p, t)
}

// labels writes the value into each stretch that is held and has the room, and on a phone the point's name before it.
func (d *drawing) labels(p *panel, t trace, label string, at func(segment) float64) {
	named := d.wide
	for i, s := range t.segments {
		x := p.inside(s.from)
		room := d.free(p, t, s) - x - ballR - 2
		if i == 0 {
			if !named && width(label, 11) < room {
				y := d.y + 13
				if at(s) < d.y+15 {
					y = at(s) + 12 // below the line
				}
				d.text("text", label, "x", x+2, "y", y, "class", "small soft halo")
				named = true
			}
			continue
		}
		room -= ballR + 4
		if !s.held {
			continue
		}
		text := d.premises.SayValue(t.ref, s.value)
		if long := label + " " + text; !named && width(long, 11) < room {
			text, named = long, true
		}
		if width(text, 11) > room {
			continue
		}
		y := d.y + 13
		if at(s) < d.y+14 {
			y = math.Max(d.y+20, at(s)+11) // below the line
		}
		d.text("text", text, "x", x+ballR+5, "y", y, "class", "small halo")
	}
}

// free returns where the next ball after the start of s is in the way, or the end of s.
func (d *drawing) free(p *panel, t trace, s segment) float64 {
	for _, l := range t.lines {
		if l.Step.At.After(s.from) {
			return p.inside(actions.Earlier(l.Step.At, s.to))
		}
	}
	return p.inside(s.to)
}

// balls draws the number of each step where it happens; one that would cover the one before is left to the schedule.
func (d *drawing) balls(p *panel, t trace) {
	last := math.Inf(-1)
	for _, l := range t.lines {
		x := p.x(l.Step.At)
		if x < p.x0 || x > p.x1 {
			continue
		}
		d.group("g", func() {
			d.text("title", d.clock(l.Step.At)+" "+d.premises.SayStep(l.Step)+", "+string(l.State))
			if x-last < 2*ballR {
				d.el("circle", "cx", x, "cy", d.y+14.5, "r", 2.5, "class", "ball")
				return
			}
			d.ball(l, x, d.y+14.5, p.number[l.Step.ID])
			last = x
		})
	}
}
