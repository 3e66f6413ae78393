package draw

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"spillway/actions"
)

// Options say what is drawn and how.
type Options struct {
	Width   int                    // in px, 320 at least; 0 is 1100. Below 640 the layout is that of a phone
	Zone    *time.Location         // of the times; nil: that of the premises
	Now     time.Time              // marked; zero: not
	Log     []actions.StepStanding // what was done, for windows that began
	Windows []string               // ids; empty: those that are not over
	Most    int                    // panels at most; 0: all
	Bare    bool                   // without the schedule in words
	NoStyle bool                   // without the style element: the page has it, see [Style]
	ID      string                 // prefix of ids, unlike that of other drawings in one page; "" is "plan"
}

// Sizes in px.
const (
	gap       = 14.0 // round the sheet and between panels
	lineH     = 17.0 // of text
	traceH    = 28.0
	ballR     = 7.5
	stateRoom = 76.0 // of the longest state of a step
	narrow    = 640
	leastWide = 320
)

// SVG returns the drawing of the plan's windows.
func SVG(plan *actions.Plan, premises *actions.Premises, opt Options) []byte {
	d := newDrawing(plan, premises, opt)
	panels := d.panels()
	for i := range panels {
		if i > 0 {
			d.y += 2 * gap
		}
		d.panel(&panels[i])
	}
	if len(panels) == 0 {
		d.text("text", "No window is planned.", "x", gap, "y", d.y+lineH, "class", "soft")
		d.y += 2 * lineH
	}
	return []byte(d.finish(panels))
}

// Schedules returns the steps of each panel of the same drawing in the order of their numbers, the first being 1, for
// those who set the schedule in words beside it.
func Schedules(plan *actions.Plan, premises *actions.Premises, opt Options) [][]actions.StepStanding {
	var list [][]actions.StepStanding
	for _, p := range newDrawing(plan, premises, opt).panels() {
		list = append(list, p.lines)
	}
	return list
}

func newDrawing(plan *actions.Plan, premises *actions.Premises, opt Options) *drawing {
	opt.Width = max(cmp.Or(opt.Width, 1100), leastWide)
	return &drawing{
		sheet: sheet{id: cmp.Or(opt.ID, "plan")}, plan: plan, premises: premises, opt: opt,
		zone: cmp.Or(opt.Zone, premises.Zone, time.UTC), wide: opt.Width >= narrow, y: gap,
	}
}

// A drawing is a sheet with what is drawn on it, and how far down it has come.
type drawing struct {
	sheet
	plan     *actions.Plan
	premises *actions.Premises
	opt      Options
	zone     *time.Location
	wide     bool
	y        float64
}

// finish puts the body into its frame, whose height is only known now.
func (d *drawing) finish(panels []panel) string {
	f := sheet{id: d.id}
	w, h := float64(d.opt.Width), d.y+gap
	f.group("svg", func() {
		f.text("title", title(panels), "id", f.id+"-title")
		f.text("desc", d.describe(panels), "id", f.id+"-desc")
		if !d.opt.NoStyle {
			f.b.WriteString("<style>" + Style() + "</style>\n")
		}
		f.patterns()
		f.el("rect", "width", w, "height", h, "class", "paper")
		f.b.WriteString(d.b.String())
	}, "xmlns", "http://www.w3.org/2000/svg", "class", "sw", "role", "img", "aria-labelledby", f.id+"-title "+f.id+"-desc",
		"width", w, "height", h, "viewBox", "0 0 "+num(w)+" "+num(h))
	return f.b.String()
}

func title(panels []panel) string {
	var names []string
	for _, p := range panels {
		for _, w := range p.windows {
			names = append(names, name(w))
		}
	}
	if len(names) == 0 {
		return "Plan: no window"
	}
	return "Plan: " + strings.Join(names, ", ")
}

// describe says in words what the drawing shows.
func (d *drawing) describe(panels []panel) string {
	var s []string
	for _, p := range panels {
		for _, w := range p.windows {
			s = append(s, name(w)+", "+d.span(w)+".", sums(w))
			for _, problem := range w.Problems {
				s = append(s, "Problem: "+problem+".")
			}
		}
		for _, l := range p.lines {
			s = append(s, d.clock(l.Step.At)+" "+d.premises.SayStep(l.Step)+", "+string(l.State)+".")
		}
	}
	return strings.Join(slices.DeleteFunc(s, func(s string) bool { return s == "" }), " ")
}

func name(w actions.PlannedWindow) string {
	return cmp.Or(strings.Join(strings.Fields(w.Title), " "), actions.Heading(w.Procedure), w.ID)
}

func sums(w actions.PlannedWindow) string { return strings.Join(sumsOf(w), ", ") }

// sumsOf gives the peak against the limit, and what each device takes.
func sumsOf(w actions.PlannedWindow) []string {
	var s []string
	if w.PeakKW != 0 {
		peak := "Peak " + kilo(w.PeakKW) + " kW"
		if w.LimitKW > 0 {
			peak += " of " + kilo(w.LimitKW) + " kW"
		}
		s = append(s, peak)
	}
	for _, e := range w.Energy {
		if kilo(e.KWh) != "0" {
			s = append(s, actions.Plain(e.Device)+" "+kilo(e.KWh)+" kWh")
		}
	}
	return s
}

// kilo writes kW or kWh to a tenth.
func kilo(x float64) string { return num(x) }

func (d *drawing) clock(t time.Time) string {
	if t = t.In(d.zone); t.Second() != 0 {
		return t.Format("15:04:05")
	}
	return t.Format("15:04")
}

func (d *drawing) span(w actions.PlannedWindow) string {
	from, to := w.Start.In(d.zone), w.End.In(d.zone)
	if from.Format(time.DateOnly) == to.Format(time.DateOnly) {
		return from.Format("Mon 2 Jan ") + d.clock(from) + " to " + d.clock(to)
	}
	return from.Format("Mon 2 Jan ") + d.clock(from) + " to " + to.Format("Mon 2 Jan ") + d.clock(to)
}
