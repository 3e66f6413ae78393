package draw

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"spillway/actions"
)

// A panel is windows that overlap, on one time axis.
type panel struct {
	windows  []actions.PlannedWindow // by start
	lines    []actions.StepStanding  // by due time
	number   map[string]int          // of a line, from 1, by step id
	from, to time.Time               // of the axis
	x0, x1   float64
	top      float64 // of what the time grid goes through
}

// earlierRun is how long before a window's start a log line must be to belong to an earlier run of it.
const earlierRun = 48 * time.Hour

// panels returns the windows that are asked for, those that overlap together.
func (d *drawing) panels() []panel {
	var list []panel
	for _, w := range d.plan.Windows {
		if !d.wanted(w) {
			continue
		}
		if last := len(list) - 1; last >= 0 && w.LeadIn.Before(list[last].to) {
			list[last].windows = append(list[last].windows, w)
			list[last].to = actions.Later(list[last].to, w.Done)
			continue
		}
		list = append(list, panel{windows: []actions.PlannedWindow{w}, to: w.Done})
	}
	if d.opt.Most > 0 && len(list) > d.opt.Most {
		list = list[:d.opt.Most]
	}
	lines := d.plan.Lines(d.opt.Log)
	for i := range list {
		list[i].take(lines)
		list[i].frame(d)
	}
	return list
}

func (d *drawing) wanted(w actions.PlannedWindow) bool {
	if len(d.opt.Windows) > 0 {
		return slices.Contains(d.opt.Windows, w.ID)
	}
	return w.State != actions.Completed && w.State != actions.Cancelled
}

// take picks the panel's lines.
func (p *panel) take(lines []actions.StepStanding) {
	p.number = map[string]int{}
	for _, l := range lines {
		for _, w := range p.windows {
			if l.Step.Window == w.ID && !l.Step.At.Before(w.Start.Add(-earlierRun)) {
				p.lines = append(p.lines, l)
				p.number[l.Step.ID] = len(p.lines)
			}
		}
	}
}

// frame sets the axis: all windows and lines with some room on both sides.
func (p *panel) frame(d *drawing) {
	p.from, p.to = p.windows[0].LeadIn, p.windows[0].Done
	for _, w := range p.windows {
		p.from, p.to = actions.Earlier(p.from, actions.Earlier(w.LeadIn, w.Start)), actions.Later(p.to, actions.Later(w.Done, w.End))
	}
	for _, l := range p.lines {
		p.from, p.to = actions.Earlier(p.from, l.Step.At), actions.Later(p.to, l.Step.At)
	}
	room := max(p.to.Sub(p.from)/14, 2*time.Minute)
	p.from, p.to = p.from.Add(-room), p.to.Add(room)
	p.x0, p.x1 = gap+26, float64(d.opt.Width)-gap
	if d.wide {
		p.x0 = 212
	}
}

func (p *panel) x(t time.Time) float64 {
	return p.x0 + (p.x1-p.x0)*float64(t.Sub(p.from))/float64(p.to.Sub(p.from))
}

// inside returns x, kept to the plot.
func (p *panel) inside(t time.Time) float64 { return min(max(p.x(t), p.x0), p.x1) }

func (d *drawing) panel(p *panel) {
	d.heading(p)
	d.phases(p)
	if d.nowInside(p) {
		d.y += 14 // for its label
	}
	p.top = d.y
	// The shading lies below what is drawn on it, and how far down it goes is known only afterwards.
	above := d.b.String()
	d.b.Reset()
	d.lanes(p)
	d.profiles(p)
	bottom := d.y
	d.axis(p)
	drawn := d.b.String()
	d.b.Reset()
	d.b.WriteString(above)
	d.shade(p, bottom)
	d.grid(p, bottom)
	d.b.WriteString(drawn)
	d.now(p, bottom)
	d.problems(p)
	if !d.opt.Bare {
		d.schedule(p)
	}
}

// heading writes what the windows are, when, and their sums.
func (d *drawing) heading(p *panel) {
	room := float64(d.opt.Width) - 2*gap
	for _, w := range p.windows {
		span := d.span(w)
		switch {
		case d.wide:
			d.text("text", cut(name(w), 15*bold, room-width(span, 12)-gap), "x", gap, "y", d.y+15, "class", "head")
			d.text("text", span, "x", float64(d.opt.Width)-gap, "y", d.y+15, "class", "end")
		default:
			d.text("text", cut(name(w), 15*bold, room), "x", gap, "y", d.y+15, "class", "head")
			d.y += lineH
			d.text("text", span, "x", gap, "y", d.y+15)
		}
		d.y += lineH + 4
		for _, line := range wrap(sumsOf(w), "  ·  ", 12, room) {
			d.text("text", line, "x", gap, "y", d.y+11, "class", "soft")
			d.y += lineH
		}
	}
	d.y += 6
}

// A stretch is a phase of a window on the axis.
type stretch struct {
	phase    actions.Phase
	from, to time.Time
}

func stretches(w actions.PlannedWindow) []stretch {
	all := []stretch{
		{actions.PhaseLeadIn, w.LeadIn, w.Start}, {actions.PhaseDuring, w.Start, w.End}, {actions.PhaseRestore, w.End, w.Done},
	}
	return slices.DeleteFunc(all, func(s stretch) bool { return !s.from.Before(s.to) })
}

// phases draws a row of dimension lines for each window, as a drawing of a machine has them.
func (d *drawing) phases(p *panel) {
	for _, w := range p.windows {
		y := d.y + 12
		for _, s := range stretches(w) {
			x, end := p.x(s.from), max(p.x(s.to), p.x(s.from)+2)
			for _, at := range []float64{x, end} {
				d.el("path", "d", "M"+num(at)+" "+num(y-6)+"V"+num(y+8), "class", "dim")
			}
			label := string(s.phase)
			if len(p.windows) > 1 && s.phase == actions.PhaseDuring {
				label = name(w)
			}
			d.dimension(p, s.phase, label, x, end, y, w.LeadIn.Before(w.Start))
		}
		d.y += 24
	}
}

// dimension draws an arrowed line with its label in it, or beside it where it is too short. led tells whether a lead-in
// takes the room before a during.
func (d *drawing) dimension(p *panel, phase actions.Phase, label string, x, end, y float64, led bool) {
	if short := cut(label, 11, end-x-28); len([]rune(short)) > 5 {
		label = short
	}
	w := width(label, 11)
	if end-x < w+24 {
		switch {
		case phase == actions.PhaseLeadIn && x-w-6 > p.x0-30:
			d.text("text", label, "x", x-5, "y", y+4, "class", "small soft end")
		case phase == actions.PhaseRestore && end+w+6 < float64(d.opt.Width):
			d.text("text", label, "x", end+5, "y", y+4, "class", "small soft")
		case phase == actions.PhaseDuring && !led:
			d.text("text", cut(label, 11, x-5-gap), "x", x-5, "y", y+4, "class", "small soft end")
		}
		return
	}
	mid := (x + end) / 2
	d.el("path", "d", "M"+num(x)+" "+num(y)+"H"+num(mid-w/2-4)+"M"+num(mid+w/2+4)+" "+num(y)+"H"+num(end), "class", "dim")
	d.el("path", "d", "M"+num(x)+" "+num(y)+"l6 -3v6zM"+num(end)+" "+num(y)+"l-6 -3v6z", "class", "tip")
	d.text("text", label, "x", mid, "y", y+4, "class", "small mid")
}

// shade draws the phases down to bottom: lead-in and restore hatched, during tinted.
func (d *drawing) shade(p *panel, bottom float64) {
	for _, w := range p.windows {
		for _, s := range stretches(w) {
			x := p.x(s.from)
			attrs := []any{"x", x, "y", p.top, "width", max(p.x(s.to)-x, 2), "height", bottom - p.top}
			if s.phase == actions.PhaseDuring {
				d.el("rect", append(attrs, "class", "band")...)
			} else {
				d.el("rect", append(attrs, "fill", "url(#"+d.id+"-"+string(s.phase)+")")...)
			}
		}
		for _, t := range []time.Time{w.Start, w.End} {
			d.el("path", "d", "M"+num(p.x(t))+" "+num(p.top)+"V"+num(bottom), "class", "edge")
		}
	}
}

func (d *drawing) nowInside(p *panel) bool {
	return !d.opt.Now.IsZero() && !d.opt.Now.Before(p.from) && !d.opt.Now.After(p.to)
}

func (d *drawing) now(p *panel, bottom float64) {
	if !d.nowInside(p) {
		return
	}
	x := p.x(d.opt.Now)
	d.el("path", "d", "M"+num(x)+" "+num(p.top-12)+"V"+num(bottom), "class", "now")
	label, at, class := "now "+d.clock(d.opt.Now), x+4, "small nowtext halo"
	if x+width(label, 11)+6 > p.x1 {
		at, class = x-4, class+" end"
	}
	d.text("text", label, "x", at, "y", p.top-3, "class", class)
}

func (d *drawing) problems(p *panel) {
	for _, w := range p.windows {
		for _, problem := range w.Problems {
			for _, line := range wrap(strings.Fields("! "+problem), " ", 12*bold, float64(d.opt.Width)-2*gap) {
				d.y += lineH
				d.text("text", line, "x", gap, "y", d.y, "class", "warn")
			}
		}
	}
}

// schedule writes each step in words, with the number that it has in the drawing.
func (d *drawing) schedule(p *panel) {
	if len(p.lines) == 0 {
		return
	}
	d.y += gap
	right := float64(d.opt.Width) - gap
	var what []string
	state := 0.0 // where the states stand: behind the longest line that has one, if that is before the right edge
	for _, l := range p.lines {
		text := d.premises.SayStep(l.Step)
		if d.wide && l.Step.Why != "" {
			text += "   (" + l.Step.Why + ")"
		}
		room := right - gap - 84
		if l.State != actions.Planned {
			room -= stateRoom
			state = max(state, gap+84+width(cut(text, 12, room), 12)+2*gap)
		}
		what = append(what, cut(text, 12, room))
	}
	state = min(state, right-stateRoom+gap)
	for i, l := range p.lines {
		d.y += lineH + 3
		d.ball(l, gap+ballR, d.y-4, i+1)
		d.text("text", d.clock(l.Step.At), "x", gap+24, "y", d.y)
		d.text("text", what[i], "x", gap+84, "y", d.y)
		switch l.State {
		case actions.Planned:
		case actions.Failed:
			d.text("text", string(l.State), "x", state, "y", d.y, "class", "warn")
		default:
			d.text("text", string(l.State), "x", state, "y", d.y, "class", "soft")
		}
	}
	d.y += 4
}

// ball draws a step's number.
func (d *drawing) ball(l actions.StepStanding, x, y float64, n int) {
	class := ""
	switch l.State {
	case actions.Confirmed, actions.Assumed:
		class = " done"
	case actions.Failed:
		class = " failed"
	case actions.Skipped:
		class = " skipped"
	}
	d.el("circle", "cx", x, "cy", y, "r", ballR, "class", "ball"+class)
	d.text("text", num(float64(n)), "x", x, "y", y+3.4, "class", "num"+class)
}

// devices returns the devices with lines, in the order of their first step, and their fills: those of the profile are
// the same, by name.
func (d *drawing) devices(p *panel) (names []string, fills map[string]int) {
	fills = map[string]int{"": 0}
	for _, l := range p.lines {
		if n := l.Step.Point.Device; !slices.Contains(names, n) {
			names = append(names, n)
		}
	}
	sorted := slices.Clone(names)
	for _, s := range d.slices(p) {
		if s.Device != "" && !slices.Contains(sorted, s.Device) {
			sorted = append(sorted, s.Device)
		}
	}
	slices.SortFunc(sorted, cmp.Compare[string])
	for i, n := range sorted {
		fills[n] = i + 1
	}
	return names, fills
}
