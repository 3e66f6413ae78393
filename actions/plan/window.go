package plan

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"spillway/actions"
)

// A window is an [actions.Window] being planned.
type window struct {
	actions.Window
	proc   *actions.Procedure
	start  time.Time // when during-statements begin
	leadIn []*hold   // without from, in statement order
	holds  []*hold
	made   []hold // where they are kept
	down   bool   // stood down

	first    time.Time // its first lead-in step; zero: none
	last     time.Time // its last restore step; zero: none
	problems []string
	shared   []string // those that the newest sharing said
	energy   []actions.Energy
	room     []actions.Room
	peakW    float64
}

// A hold is one statement of one window: a claim on a point.
type hold struct {
	id      string
	win     *window
	line    *line
	st      *actions.Statement
	phase   actions.Phase
	order   int  // of statements in the window; fewer is stronger
	passing bool // a lead-in that ends where the window starts, since during has the point too

	from, to time.Time
	room     *roomHold // it makes room before the window; nil: it is a statement's
	live     bool      // counts: not given up, not guarded off, not taken over by a hand

	begins  int  // ids used for beginning it
	ended   int  // ids used for ending it
	renewed int  // ids used for making it last
	command bool // a command begins it
	told    bool // a command, its own or a stronger hold's end, brings its value
}

// stronger reports whether a beats b while both are on a point: rank, the event's PRIORITY, the later start, statement
// order, uid.
func stronger(a, b *hold) bool {
	if a.win.proc.Rank != b.win.proc.Rank {
		return a.win.proc.Rank > b.win.proc.Rank
	}
	if a.win.Priority != b.win.Priority {
		return actions.Better(a.win.Priority, b.win.Priority)
	}
	if c := a.from.Compare(b.from); c != 0 {
		return c > 0
	}
	if a.order != b.order {
		return a.order < b.order
	}
	if a.win.UID != b.win.UID {
		return a.win.UID < b.win.UID
	}
	return a.id < b.id
}

// takeWindows sorts the windows and turns their statements into holds.
func (p *planner) takeWindows() {
	p.windows = make([]*window, 0, len(p.Windows))
	for i := range p.Windows {
		w := &p.Windows[i]
		if !p.To.IsZero() && !w.Start.Before(p.To) {
			continue
		}
		p.windows = append(p.windows, &window{Window: *w, start: w.Start.UTC()})
	}
	slices.SortStableFunc(p.windows, func(a, b *window) int {
		if c := a.Start.Compare(b.Start); c != 0 {
			return c
		}
		if c := strings.Compare(a.ID, b.ID); c != 0 {
			return c
		}
		return strings.Compare(a.Feed, b.Feed)
	})
	seen := make(map[string]bool, len(p.windows))
	p.windows = slices.DeleteFunc(p.windows, func(w *window) bool {
		twice := seen[w.ID]
		seen[w.ID] = true
		return twice
	})
	for _, w := range p.windows {
		p.takeWindow(w)
	}
}

func (p *planner) takeWindow(w *window) {
	w.problems = slices.Clone(w.Notes)
	if _, w.down = p.Standing.Down[w.ID]; w.down {
		w.say("stood down: it is not taken up again")
		return
	}
	w.proc = p.premises.Procedure(w.Procedure)
	if w.proc == nil {
		w.say("there is no procedure " + strconv.Quote(w.Procedure) + ": nothing is done")
		return
	}
	w.start = w.start.Add(p.stagger(w))
	for _, name := range w.SkipDevices {
		w.say(name + " is left out, as the event's description asks")
	}
	n := len(w.proc.LeadIn) + len(w.proc.During) + len(w.Extra)
	w.made, w.holds = carve(&p.memory.holds, n), carve(&p.memory.held, n)
	// A statement in the event's own description comes before the procedure's.
	for i := range w.Extra {
		p.hold(w, &w.Extra[i], actions.PhaseDuring, "-x", i+1, i-len(w.Extra))
	}
	for i := range w.proc.LeadIn {
		p.hold(w, &w.proc.LeadIn[i], actions.PhaseLeadIn, "-l", i+1, i)
	}
	for i := range w.proc.During {
		p.hold(w, &w.proc.During[i], actions.PhaseDuring, "-d", i+1, len(w.proc.LeadIn)+i)
	}
	p.endLeadIns(w)
	p.place(w, nil, false)
	p.giveUp(w)
}

// hold makes a hold of a statement, or says why there is none.
func (p *planner) hold(w *window, s *actions.Statement, phase actions.Phase, list string, n, order int) {
	if slices.Contains(w.SkipDevices, s.Point.Device) {
		return
	}
	if why := p.cannotHold(s); why != "" {
		w.say(quoted(s) + " is left out: " + why)
		return
	}
	l := p.line(s.Point)
	w.made = w.made[:len(w.made)+1]
	h := &w.made[len(w.made)-1]
	h.id, h.win, h.line, h.st, h.phase, h.order, h.live = w.ID+list+strconv.Itoa(n), w, l, s, phase, order, true
	h.from, h.to = w.start, w.End.UTC()
	if phase == actions.PhaseLeadIn && s.HasFrom {
		h.from = w.start.Add(s.From)
	}
	if s.For > 0 {
		h.to = actions.Earlier(h.to, h.from.Add(s.For))
	}
	if phase == actions.PhaseLeadIn && !s.HasFrom {
		w.leadIn = append(w.leadIn, h)
	}
	w.holds = append(w.holds, h)
	l.holds = append(l.holds, h)
}

// cannotHold returns why the statement cannot be carried out on these premises; "" where it can.
func (p *planner) cannotHold(s *actions.Statement) string {
	d := p.premises.Device(s.Point.Device)
	switch {
	case d == nil:
		return "there is no device " + s.Point.Device
	case !d.Enabled:
		return s.Point.Device + " is not enabled"
	}
	pt := d.Point(s.Point.Point)
	switch {
	case pt == nil:
		return "there is no point " + s.Point.String()
	case pt.Protects:
		return s.Point.String() + " protects and is never held"
	case pt.Write == nil:
		return s.Point.String() + " cannot be written"
	case p.linkIndex(d.Link) < 0:
		return "there is no link " + d.Link
	case s.Want.Auto:
		return p.cannotShare(d, pt)
	case !s.Want.Normal && !s.Want.Value.Known:
		return "it asks for no value"
	}
	return ""
}

// endLeadIns ends lead-in holds at the window's start where a during-statement is on the point too.
func (p *planner) endLeadIns(w *window) {
	mark := func(list []actions.Statement) {
		for i := range list {
			if l := p.lines[list[i].Point]; l != nil {
				l.during = w
			}
		}
	}
	mark(w.proc.During)
	mark(w.Extra)
	for _, h := range w.holds {
		if h.phase == actions.PhaseLeadIn && h.line.during == w {
			h.passing, h.to = true, actions.Earlier(h.to, w.start)
		}
	}
}

// giveUp drops the holds that no longer count: after a step failed or was skipped, its hold and the later statements of
// the window on the same device; where a hand is on the point, the holds it took over from; and what a guard keeps off.
func (p *planner) giveUp(w *window) {
	if len(p.failed) > 0 {
		for _, h := range w.holds {
			if !p.failed[h.claimed()] {
				continue
			}
			for _, o := range w.holds {
				if o == h || o.line.dev == h.line.dev && o.order > h.order {
					o.live = false
				}
			}
		}
	}
	for _, h := range w.holds {
		if !h.live {
			continue
		}
		if st := h.line.st; st.Hand.Known && (slices.Contains(st.HandHold, w.ID) || slices.Contains(st.HandHold, h.id)) {
			h.live = false
			if h.to.After(p.now) {
				w.say(h.line.ref.String() + " was set to " + h.line.show(st.Hand) + " by hand, and stays so")
			}
			continue
		}
		if why := p.guardedOff(h); why != "" {
			h.live = false
			if h.to.After(p.now) {
				w.say(quoted(h.st) + " is not held: " + why)
			}
			continue
		}
		p.sayOver(h)
	}
}

// sayOver says of a hold that it was over before its window was planned at all, and goes on saying so while the window
// lasts. After a restart nobody knows of holds that needed no command: what is said is true of them too.
func (p *planner) sayOver(h *hold) {
	w := h.win
	if h.to.After(p.now) || !w.End.After(p.now) {
		return
	}
	text := quoted(h.st) + " was over at " + p.clock(h.to) + ", before this was planned: nothing is done for it"
	var old *actions.PlannedWindow
	if p.Current != nil {
		old = p.Current.Window(w.ID)
	}
	if old != nil && old.Start.Equal(w.Start) && !slices.Contains(old.Problems, text) {
		return
	}
	if _, begun := p.hasBegun(h); !begun {
		w.say(text)
	}
}

func (w *window) say(problem string) {
	if !slices.Contains(w.problems, problem) {
		w.problems = append(w.problems, problem)
	}
}

// sayShared says what is so by the newest sharing.
func (w *window) sayShared(problem string) {
	if !slices.Contains(w.problems, problem) {
		w.problems, w.shared = append(w.problems, problem), append(w.shared, problem)
	}
}

// forgetShared takes back what the sharing before said.
func (w *window) forgetShared() {
	w.problems = slices.DeleteFunc(w.problems, func(s string) bool { return slices.Contains(w.shared, s) })
	w.shared = w.shared[:0]
}

// steps takes note of one of the window's steps.
func (w *window) steps(c *change) {
	switch {
	case c.phase == actions.PhaseLeadIn && (w.first.IsZero() || c.at.Before(w.first)):
		w.first = c.at
	case c.phase == actions.PhaseRestore && c.at.After(w.last):
		w.last = c.at
	}
}

// finish returns the window with what the plan says of it.
func (w *window) finish(p *planner) actions.PlannedWindow {
	for _, h := range w.holds {
		if due, ok := p.hasBegun(h); ok && h.phase == actions.PhaseLeadIn && (w.first.IsZero() || due.Before(w.first)) {
			w.first = due
		}
	}
	out := actions.PlannedWindow{Window: w.Window, Problems: w.problems, Energy: w.energy, Room: w.room,
		PeakKW: kw(w.peakW), LimitKW: kw(p.premises.Supply.LimitW), LeadIn: w.Start, Done: w.End}
	if !w.first.IsZero() && w.first.Before(w.Start) {
		out.LeadIn = w.first
	}
	if w.last.After(w.End) {
		out.Done = w.last
	}
	out.Claims = make([]actions.Claim, 0, len(w.holds))
	for _, h := range w.holds {
		out.Claims = append(out.Claims, actions.Claim{ID: h.id, Point: h.line.ref, Phase: h.phase, From: h.from, To: h.to,
			Value: h.line.value(h, actions.Later(h.from, p.now)), Off: !h.live})
	}
	switch {
	case w.down:
		out.State = actions.Cancelled
	case !p.now.Before(w.End):
		out.State = actions.Completed
	case !p.now.Before(w.Start):
		out.State = actions.Active
	case !p.now.Before(out.LeadIn):
		out.State = actions.Near
	default:
		out.State = actions.Far
	}
	return out
}
