package page

import (
	"bytes"
	"html/template"
	"slices"
	"time"

	"spillway/actions"
	"spillway/actions/draw"
	"spillway/actions/journal"
)

// drawingView is the drawing of the coming window, once for each width of screen, and its switching schedule in words.
type drawingView struct {
	Sheets []sheetView
	Steps  []stepRow // numbered as in the drawing
	Names  string
	Other  bool // it was asked for, and is not the coming one
	Over   bool // the last one: nothing is coming
}

type sheetView struct {
	Class string
	SVG   template.HTML
}

// The widths that the page has room for: a phone's, a tablet's, a desk's.
var sheetWidths = []struct {
	class string
	width int
}{{"narrow", 344}, {"middle", 700}, {"wide", 1080}}

func (l *look) drawingView(wanted string) drawingView {
	var v drawingView
	drawn := l.chosen(wanted)
	if len(drawn) == 0 {
		return v
	}
	first := l.coming()
	v.Other = !slices.ContainsFunc(drawn, func(w actions.PlannedWindow) bool { return first != nil && w.ID == first.ID })
	v.Over = drawn[0].State == actions.Completed
	opt := draw.Options{Zone: l.zone, Now: l.now, Log: l.recent(drawn[0].LeadIn), Most: 1, Bare: true, NoStyle: true}
	for i, w := range drawn {
		opt.Windows = append(opt.Windows, w.ID)
		if i > 0 {
			v.Names += " and "
		}
		v.Names += l.windowName(w.Window)
	}
	for _, s := range sheetWidths {
		opt.Width, opt.ID = s.width, "plan-"+s.class
		// The drawing escapes whatever comes from outside, and its tests try to get through that.
		svg := bytes.Map(visible, draw.SVG(l.snap.Plan, l.p.opt.Premises, opt))
		v.Sheets = append(v.Sheets, sheetView{s.class, template.HTML(svg)})
	}
	for _, list := range draw.Schedules(l.snap.Plan, l.p.opt.Premises, opt) {
		for i, st := range list {
			row := l.step(st)
			row.Number, row.State = i+1, outcome(st)
			v.Steps = append(v.Steps, row)
		}
	}
	return v
}

// coming is the first window that is not over, nil where there is none.
func (l *look) coming() *actions.PlannedWindow {
	for i := range l.snap.Plan.Windows {
		if w := &l.snap.Plan.Windows[i]; w.State != actions.Completed && w.State != actions.Cancelled {
			return w
		}
	}
	return nil
}

// chosen returns the window that was asked for, else the coming one, else the last, with those that overlap it.
func (l *look) chosen(wanted string) []actions.PlannedWindow {
	w := l.snap.Plan.Window(wanted)
	if w == nil {
		w = l.coming()
	}
	if w == nil && len(l.snap.Plan.Windows) > 0 {
		w = &l.snap.Plan.Windows[len(l.snap.Plan.Windows)-1]
	}
	if w == nil {
		return nil
	}
	var list []actions.PlannedWindow
	for _, o := range l.snap.Plan.Windows {
		live := o.State != actions.Cancelled && (o.State != actions.Completed || w.State == actions.Completed)
		if o.ID == w.ID || live && o.LeadIn.Before(w.Done) && w.LeadIn.Before(o.Done) {
			list = append(list, o)
		}
	}
	return list
}

// recent is what was done for the windows that are drawn.
func (l *look) recent(leadIn time.Time) []actions.StepStanding {
	from := l.now.Add(-logBack)
	if leadIn.Before(from) {
		from = leadIn.Add(-time.Hour)
	}
	lines, err := l.p.opt.Record.Log(l, journal.Query{From: from})
	if err != nil {
		l.p.log.Warn("the page's drawing lacks what was done: " + err.Error())
	}
	return lines
}

// outcome says in a word or two how far a step has come; "" while it is planned.
func outcome(st actions.StepStanding) string {
	switch st.State {
	case actions.Planned:
		if st.Tries > 0 {
			return "being sent"
		}
		return ""
	case actions.Sent:
		return "sent, not read back yet"
	case actions.Assumed:
		return "assumed: it cannot be read back"
	}
	return string(st.State)
}
