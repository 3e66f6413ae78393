package plan

import (
	"strconv"
	"time"

	"spillway/actions"
)

// A change is one command: the point's value becomes another.
type change struct {
	line    *line
	id      string
	due, at time.Time
	wait    time.Time // for commands on other links; zero: for none
	value   actions.Value
	from    actions.Value
	hold    *hold // that asks for it, or whose end it is; nil: one of a window that is gone
	under   *hold // where a hold ended: the one that rules now, nil for none
	was     *hold // that ruled before; nil: none
	window  *window
	winID   string // where window is nil
	holdID  string // where hold is nil
	phase   actions.Phase
	ending  bool // a hold ended
	release bool

	n        int           // among the changes as the lines have them: ties go by it
	turn     time.Duration // from now until it has its turn on its link
	gap      time.Duration // the link is taken this long
	class    class
	owed     bool    // before it, the point was owed a restore
	prev     *change // on its line
	next     *change
	sent     bool     // while spacing: its turn has come
	after    []string // commands that lower a draw and must be read back before
	yielded  bool     // it waits for power that another point lets go of
	caughtUp bool     // it is due by now, and until it is sent the point has what a hold gave it
	drop     dropped

	until  time.Time // when the box may end the value by itself; zero: it is given no end
	renews bool      // the point has the value already: not on its line, and
	ends   time.Time // needless from then on
	of     *change   // that brought the value; nil: it has been sent
}

// A dropped says why a change is not sent after all.
type dropped int

const (
	kept     dropped = iota
	missed           // its hold is over before the link is free
	needless         // the one before it was missed, so the point has the value already
)

// sentAgain reports whether the change only sends once more, until it is confirmed, what has been sent. A step that came to
// another value meanwhile keeps its id.
func (c *change) sentAgain() bool {
	return c.id == c.line.st.Step && c.value == c.line.st.Value
}

func (c *change) begin(h *hold) {
	h.told = true
	c.hold, c.window, c.phase = h, h.win, h.phase
	c.id, h.begins = c.line.fresh(h.id, h.begins)
}

func (c *change) end(over, under *hold) {
	if under != nil {
		under.told = true
	}
	c.hold, c.under, c.window, c.phase, c.ending = over, under, over.win, actions.PhaseRestore, true
	c.id, over.ended = c.line.fresh(over.id+"-end", over.ended)
}

// fresh returns the next id made of base that no step of the standing has, but one on this point that is not finished,
// given how many the plan has used. A window that came to another procedure may have finished steps of its old one, on
// other points, under ids that its new one makes as well.
func (l *line) fresh(base string, used int) (string, int) {
	for n := used + 1; ; n++ {
		id := base
		if n > 1 {
			id += "-" + strconv.Itoa(n)
		}
		if st, ok := l.p.Standing.Steps[id]; !ok || !st.State.Over() && st.Step.Point == l.ref {
			return id, n
		}
	}
}

// newChange returns a change of the point from what it has to v. It is good until the lines are built anew.
func (l *line) newChange(due time.Time, v actions.Value, release bool) *change {
	return l.p.memory.newChange(change{line: l, due: due, value: v, from: l.have, release: release}, 2*l.p.claims)
}

func (l *line) add(c *change) *change {
	c.owed = l.owed
	if n := len(l.spans); n > 0 {
		c.was = l.spans[n-1].hold
	}
	if n := len(l.changes); n > 0 {
		c.prev, l.changes[n-1].next = l.changes[n-1], c
	}
	l.changes = append(l.changes, c)
	return c
}
