package main

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"spillway/actions"
	"spillway/calendar"
)

// planTable prints a plan for people: problems first, then each window with its figures, what more there is to say of it by
// its id, and its steps in local time.
func planTable(w io.Writer, p *actions.Plan, premises *actions.Premises, problems []calendar.Problem, more map[string][]string) {
	zone := premises.Zone
	fmt.Fprintf(w, "Plan at %s (%s)\n", p.At.In(zone).Format("Mon 2 Jan 2006 15:04:05"), zone)
	for _, b := range problems {
		fmt.Fprintf(w, "! calendar: %s: %s\n", oneLine(b.Where), oneLine(b.What))
	}
	for _, win := range p.Windows {
		for _, b := range win.Problems {
			fmt.Fprintf(w, "! %s: %s\n", oneLine(win.Title), oneLine(b))
		}
	}
	if len(p.Windows) == 0 {
		fmt.Fprintln(w, "no windows")
	}
	for _, win := range p.Windows {
		fmt.Fprintf(w, "\n%s  (%s, %s)\n", oneLine(win.Title), win.Procedure, win.State)
		fmt.Fprintf(w, "  %s %s, %s\n", win.Start.In(zone).Format("Mon 2 Jan 15:04"), until(win.Start, win.End, zone), length(win.End.Sub(win.Start)))
		fmt.Fprintf(w, "  %s\n", figures(&win, premises.Supply))
		for _, r := range win.Room {
			fmt.Fprintf(w, "  %s\n", roomText(r))
		}
		for _, line := range more[win.ID] {
			fmt.Fprintf(w, "  %s\n", clean(line))
		}
		steps(w, p, win.ID, zone)
	}
	orphans(w, p, zone)
}

func figures(win *actions.PlannedWindow, s actions.Supply) string {
	parts := []string{fmt.Sprintf("peak %.1f kW", win.PeakKW)}
	if win.LimitKW > 0 {
		parts[0] = fmt.Sprintf("peak %.1f kW of %.1f kW", win.PeakKW, win.LimitKW)
		if s.Phases == 3 {
			parts[0] += " on the fullest phase"
		}
	}
	for _, e := range win.Energy {
		parts = append(parts, fmt.Sprintf("%s %.1f kWh", e.Device, e.KWh))
	}
	return strings.Join(parts, "; ")
}

// roomText says what is done so that a device has room, and what is expected of it.
func roomText(r actions.Room) string {
	if r.BackKWh > 0 {
		return fmt.Sprintf("room is made: %s gives back %.1f kWh before, and takes %.1f kWh more", r.Device, r.BackKWh, r.MoreKWh)
	}
	return fmt.Sprintf("room is kept: %s is held off before, and takes up to %.1f kWh more", r.Device, r.MoreKWh)
}

func steps(w io.Writer, p *actions.Plan, window string, zone *time.Location) {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, s := range p.Steps {
		if s.Window == window {
			fmt.Fprintf(tw, "  %s\t%s\t%s\t%s\t%s\n", s.At.In(zone).Format("Mon 15:04:05"), s.Phase, s.Point, change(s), oneLine(s.Why))
		}
	}
	_ = tw.Flush()
}

// orphans prints the steps whose window is no longer there: what an earlier one still owes.
func orphans(w io.Writer, p *actions.Plan, zone *time.Location) {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	first := true
	for _, s := range p.Steps {
		if p.Window(s.Window) != nil {
			continue
		}
		if first {
			fmt.Fprintln(tw, "\nOwed by a window that is gone")
			first = false
		}
		fmt.Fprintf(tw, "  %s\t%s\t%s\t%s\t%s\n", s.At.In(zone).Format("Mon 15:04:05"), s.Phase, s.Point, change(s), oneLine(s.Why))
	}
	_ = tw.Flush()
}

func change(s actions.Step) string {
	to := s.Value.String()
	if !s.Value.Known {
		to = "its normal"
	}
	if !s.From.Known {
		return "-> " + to
	}
	return s.From.String() + " -> " + to
}

// length writes a duration as people say it: 1 h, 90 min, 2 h 30 min.
func length(d time.Duration) string {
	h, m := int(d.Hours()), int(d.Minutes())%60
	switch {
	case h == 0:
		return fmt.Sprintf("%d min", m)
	case m == 0:
		return fmt.Sprintf("%d h", h)
	}
	return fmt.Sprintf("%d h %d min", h, m)
}
