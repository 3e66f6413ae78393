package page

import (
	"strconv"
	"strings"

	"spillway/actions"
	"spillway/actions/run"
)

const (
	nextSteps   = 5
	nextWindows = 7
)

// nextView answers: what happens next, and when.
type nextView struct {
	Head    string // "in 13 min: Cylinder: boost back to off"
	At      *moment
	Steps   []stepRow
	More    int // steps left out
	Windows []windowRow
	Left    int // windows left out
	Down    []downRow
	Until   *moment // every window that begins before is stood down
}

// downRow is a window that is stood down.
type downRow struct {
	ID, Name string
	Back     bool // it can be taken up again
}

type stepRow struct {
	Number int
	At     *moment
	What   string
	Why    string
	By     string
	Phase  actions.Phase
	State  string // "" while planned
	Class  string // the step's state
}

type windowRow struct {
	ID       string
	Name     string
	When     string
	Rel      string
	State    actions.WindowState
	Sum      string // peak of limit
	Problems []string
	Ahead    bool // can be stood down
	Shown    bool
}

func (l *look) nextView() nextView {
	var v nextView
	plan := l.snap.Plan
	for _, s := range plan.Steps {
		if st := l.snap.Standing.Steps[s.ID].State; st.Over() || st == actions.Sent {
			continue
		}
		if len(v.Steps) == nextSteps {
			v.More++
			continue
		}
		v.Steps = append(v.Steps, l.step(actions.StepStanding{Step: s, State: actions.Planned}))
	}
	for _, w := range plan.Windows {
		if w.State == actions.Completed || w.State == actions.Cancelled {
			continue
		}
		if len(v.Windows) == nextWindows {
			v.Left++
			continue
		}
		v.Windows = append(v.Windows, l.window(w))
	}
	for _, w := range l.kept {
		if l.p.stoodDown(l.snap, w.ID) && l.now.Before(w.End) {
			v.Down = append(v.Down, downRow{w.ID, l.title(w.ID) + ", " + l.span(w.Start, w.End), l.p.opt.TakeUp != nil})
		}
	}
	if l.p.opt.DownUntil != nil {
		v.Until = l.moment(l.p.opt.DownUntil())
	}
	return v
}

// stoodDown reports whether a window is stood down as a whole.
func (p *Page) stoodDown(s run.Snapshot, id string) bool {
	until, down := s.Standing.Down[id]
	return down && p.opt.Now().Before(until)
}

func (l *look) step(st actions.StepStanding) stepRow {
	s := st.Step
	return stepRow{At: l.moment(s.At), What: clean(l.p.opt.Premises.SayStep(s)), Why: clean(s.Why), By: l.title(s.Window), Phase: s.Phase, Class: string(st.State)}
}

func (l *look) window(w actions.PlannedWindow) windowRow {
	row := windowRow{ID: w.ID, Name: l.windowName(w.Window), When: l.span(w.Start, w.End), State: w.State, Sum: sumText(w)}
	switch {
	case l.now.Before(w.Start):
		row.Rel, row.Ahead = l.rel(w.Start), w.State == actions.Far || w.State == actions.Near
	case l.now.Before(w.End):
		row.Rel = "ends " + l.rel(w.End)
	}
	for _, p := range w.Problems {
		row.Problems = append(row.Problems, clean(p))
	}
	return row
}

// sumText is the peak against the limit; the energies stand in the drawing.
func sumText(w actions.PlannedWindow) string {
	if w.PeakKW <= 0 {
		return ""
	}
	peak := "peak " + tenth(w.PeakKW) + " kW"
	if w.LimitKW > 0 {
		peak += " of " + tenth(w.LimitKW) + " kW"
	}
	return peak
}

func tenth(x float64) string {
	s := strings.TrimSuffix(strconv.FormatFloat(x, 'f', 1, 64), ".0")
	if s == "-0" {
		return "0"
	}
	return s
}
