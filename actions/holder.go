package actions

import "time"

// Holder returns the id of the window that holds a point at now, as st has it, and since when. That is the window whose step
// asked for its value, but where that window let go since and the value came back to that of a lower hold: then it is the
// lower hold's window. Where no hold in the plan explains the value, it is the window that asked for it.
func (p *Plan) Holder(ref Ref, st PointStanding, premises *Premises, now time.Time) (window string, since time.Time) {
	var best *PlannedWindow
	var by *Claim
	for i := range p.Windows {
		w := &p.Windows[i]
		c := w.claim(ref, st.Value, now)
		switch {
		case c == nil:
		case w.ID == st.Window:
			return w.ID, Later(st.Since, c.From)
		case best == nil || stronger(w, c, best, by, premises):
			best, by = w, c
		}
	}
	if best == nil {
		return st.Window, st.Since
	}
	return best.ID, Later(st.Since, by.From)
}

// claim returns the window's hold that gives a point this value at now, or nil.
func (w *PlannedWindow) claim(ref Ref, v Value, now time.Time) *Claim {
	if w.State == Cancelled {
		return nil
	}
	for i := range w.Claims {
		c := &w.Claims[i]
		if c.Point == ref && !c.Off && c.Value == v && !now.Before(c.From) && now.Before(c.To) {
			return c
		}
	}
	return nil
}

// stronger reports whether a hold of window a beats one of window b: rank, the event's PRIORITY, the later start, uid.
func stronger(a *PlannedWindow, c *Claim, b *PlannedWindow, than *Claim, premises *Premises) bool {
	switch x, y := rank(premises, a.Procedure), rank(premises, b.Procedure); {
	case x != y:
		return x > y
	case a.Priority != b.Priority:
		return Better(a.Priority, b.Priority)
	case !c.From.Equal(than.From):
		return c.From.After(than.From)
	}
	return a.UID < b.UID
}

func rank(premises *Premises, procedure string) int {
	if p := premises.Procedure(procedure); p != nil {
		return p.Rank
	}
	return 0
}

// LetsGo returns the step, still to be done as standing has it, by which window's hold on a point ends, and whether there is
// one: it gives the point back, or hands it to another window's hold.
func (p *Plan) LetsGo(ref Ref, window string, standing Standing) (Step, bool) {
	for _, s := range p.Steps {
		if s.Point == ref && !standing.Steps[s.ID].State.Over() && (s.Release || s.Phase == PhaseRestore || s.Window != window) {
			return s, true
		}
	}
	return Step{}, false
}

// HoldWindow returns the id of the window that a step's hold is of: of the lower hold, where that asks for the value. It is
// the step's window where the plan does not know the hold.
func (p *Plan) HoldWindow(s Step) string {
	for i := range p.Windows {
		for j := range p.Windows[i].Claims {
			if c := &p.Windows[i].Claims[j]; c.ID == s.Hold && c.Point == s.Point && !s.Release {
				return p.Windows[i].ID
			}
		}
	}
	return s.Window
}
