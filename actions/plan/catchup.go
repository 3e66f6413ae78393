package plan

import (
	"slices"
	"strings"
	"time"

	"spillway/actions"
)

// catchUp begins the line at now: it compares what rules now with what the standing says the point has, and where they
// differ, or nobody is sure, the change that should have brought it about is planned at once.
func (l *line) catchUp() {
	now := l.p.now
	h := l.top(now)
	l.have, l.owed = l.has(h)
	if h == nil {
		if l.owed {
			l.releaseNow()
		}
		return
	}
	v := l.value(h, now)
	sp := span{from: now, hold: h, value: v}
	sure := !l.owed || l.st.Certain
	if v != l.have || !sure {
		c := l.newChange(h.since(now), v, l.isNormal(h, v))
		l.why(c, h)
		if !sure && v == l.st.Value && !l.gaveUp() {
			l.same(c)
		}
		sp.change, c.caughtUp = l.add(c), l.owed
		switch {
		case c.ending:
			c.was = c.hold // it ruled until now
		case l.owed:
			// So did this one: what it drew makes way first, as it would have where the plan had been made a moment earlier.
			if o := l.holdCalled(l.p.holdOf(l.st.Step), true); o != h {
				c.was = o
			}
		}
		l.owed = !c.release
	}
	l.have = v
	l.spans = append(l.spans, sp)
}

// same makes c the command that was asked for before and is not known to have arrived: it still starts from what that one
// started from, so that what may be drawn until it arrives is not forgotten.
func (l *line) same(c *change) {
	c.id = l.st.Step
	if s, ok := l.p.Standing.Steps[c.id]; ok && s.Step.From.Known && s.Step.From != c.value {
		c.from = s.Step.From
	}
}

// gaveUp reports whether the step that asked for what the standing has of the point was given up: a command for the same
// value is another step then, or nobody would see how often that has failed.
func (l *line) gaveUp() bool {
	st := l.p.Standing.Steps[l.st.Step].State
	return st == actions.Failed || st == actions.Skipped
}

// has returns what the point has now, where h is the hold that rules it, and whether a restore is owed.
func (l *line) has(h *hold) (v actions.Value, owed bool) {
	st := &l.st
	switch {
	case st.Owed:
		return st.Value, true
	case h == nil:
		return l.normal, false
	case st.Hand.Known:
		return st.Hand, false
	case st.Certain && (l.p.holdOf(st.Step) == h.id || l.value(h, l.p.now) == st.Value):
		return st.Value, false // it had the value already, for this hold or for another that asked for the same
	}
	if r := l.reading(); r.Known {
		// What the point reads counts, except that a number near enough to what is wanted is what is wanted.
		if want := l.value(h, l.p.now); r.Near(want, l.pt.Tolerance) {
			return want, false
		}
		return r, false
	}
	// It was told for h what it goes back to in the end anyway: the standing owes nothing for that, and forgot it.
	if g := l.p.given[l.ref]; g.value.Known && !g.at.Before(h.from) && g.value == l.value(h, l.p.now) {
		return g.value, false
	}
	return l.normal, false
}

// why names the change that brings the point under h at now: the end of a stronger hold where one has ended since h
// began, else h's own beginning.
func (l *line) why(c *change, h *hold) {
	var over *hold
	for _, o := range l.holds {
		if o != h && o.live && o.to.After(h.from) && !o.to.After(l.p.now) && stronger(o, h) &&
			(over == nil || o.to.After(over.to) || o.to.Equal(over.to) && stronger(o, over)) {
			over = o
		}
	}
	_, begun := l.p.hasBegun(h)
	asked := l.p.holdOf(l.st.Step)
	if over != nil && !l.owed && !l.p.wasTold(h) && !l.p.wasTold(over) {
		over = nil // nobody ever held the point for either: this is a late start, in the order of statements, and no return
	}
	switch {
	case over != nil:
		c.end(over, h)
		c.due = over.to
	case l.st.Owed && begun && asked != "" && asked != h.id && l.holdCalled(asked, true) == nil:
		l.gone(c, asked)
		c.under = h
	default:
		c.begin(h)
	}
}

// releaseNow plans the restore that is owed: no hold is left on the point.
func (l *line) releaseNow() {
	l.spans = append(l.spans, span{from: l.p.now})
	asked := l.p.holdOf(l.st.Step)
	var over *hold
	if o := l.holdCalled(asked, true); o != nil {
		for _, o := range l.holds { // the strongest that ended last
			if o.live && !o.to.After(l.p.now) && (over == nil || o.to.After(over.to) || o.to.Equal(over.to) && stronger(o, over)) {
				over = o
			}
		}
	}
	c := l.newChange(time.Time{}, actions.Value{}, true)
	if over != nil {
		c.value, _ = l.after(over)
		c.end(over, nil)
		c.due = over.to
	} else {
		c.value, _ = l.after(l.holdCalled(asked, false))
		l.gone(c, asked)
	}
	if !l.st.Certain && l.st.Value == c.value && l.st.Step != "" && !l.gaveUp() {
		l.same(c)
	}
	l.add(c).caughtUp = true
	l.have, l.owed = c.value, false
}

// gone makes c the end of a hold that does not count any more, or whose window is gone.
func (l *line) gone(c *change, asked string) {
	c.phase, c.ending = actions.PhaseRestore, true
	c.holdID, c.winID = asked, l.st.Window
	if h := l.holdCalled(asked, false); h != nil {
		c.hold, c.window = h, h.win
		c.id, h.ended = l.fresh(asked+"-end", h.ended)
		c.due = l.goneSince(c.id)
		return
	}
	if asked == "" {
		asked = l.st.Window
	}
	if l.p.elsewhere(asked) {
		asked += "-" + l.ref.String()
	}
	c.id, _ = l.fresh(asked+"-end", 0)
	c.due = l.goneSince(c.id)
}

// goneSince returns when the step by which a hold that is gone lets go of the point was due first: that no window tells, and
// by a plan that is made again and again the step would be due anew each time, and wait for others without end.
func (l *line) goneSince(id string) time.Time {
	due := l.p.now
	first := func(s *actions.Step) {
		if s.ID == id && s.Point == l.ref && !s.Due.IsZero() {
			due = actions.Earlier(due, s.Due)
		}
	}
	if st, ok := l.p.Standing.Steps[id]; ok {
		first(&st.Step)
	}
	if l.p.Current != nil {
		for i := range l.p.Current.Steps {
			first(&l.p.Current.Steps[i])
		}
	}
	return due
}

// elsewhere reports whether a hold of a window of now has the id: one that came to another procedure makes the ids of its
// old one's holds again, on other points.
func (p *planner) elsewhere(id string) bool {
	for _, w := range p.windows {
		if slices.ContainsFunc(w.holds, func(h *hold) bool { return h.id == id }) {
			return true
		}
	}
	return false
}

// holdCalled returns the hold on this line with the id, or nil; with counts only one that counts.
func (l *line) holdCalled(id string, counts bool) *hold {
	for _, h := range l.holds {
		if h.id == id && (h.live || !counts) {
			return h
		}
	}
	return nil
}

// holdOf returns the id of the hold that a step of the standing was for.
func (p *planner) holdOf(step string) string {
	if st, ok := p.Standing.Steps[step]; ok && st.Step.Hold != "" {
		return st.Step.Hold
	}
	// The step is forgotten; its id begins with its hold's.
	id, _, _ := strings.Cut(step, "-end")
	if i := strings.LastIndexByte(id, '-'); i > 0 && strings.Count(id, "-") > 1 {
		id = id[:i]
	}
	return id
}
