package plan

import (
	"slices"
	"time"

	"spillway/actions"
)

// A line is one point over time.
type line struct {
	p        *planner
	ref      actions.Ref
	dev      *actions.Device
	devIndex int // in premises.Devices
	pt       *actions.Point
	link     int // in planner.links
	st       actions.PointStanding
	normal   actions.Value // unknown: nobody knows yet

	holds   []*hold
	during  *window // while holds are made: the newest that has a during-statement on the point
	spans   []span
	changes []*change
	auto    []autoValue   // what auto statements on it come to, by time
	down    []autoValue   // and those of turn-down windows
	stays   []stay        // where least times let it keep the value it has
	was     *cycle        // how far it is now, once asked for
	handed  *cycle        // how far it is as the sharing before ends, and when that is
	zero    actions.Value // what auto sets where it takes nothing

	renewals []*change // commands that only make a value last

	// While building.
	have actions.Value // what the point has
	owed bool          // it was written and is not back at its normal
	on   []*hold       // a heap of the holds that are on, the strongest first
}

// A span is a stretch of time in which one hold rules the point, or none; it lasts until the next span begins.
type span struct {
	from   time.Time
	hold   *hold
	value  actions.Value
	change *change // the command that begins it; nil: the point has the value already
}

// normalValue returns the point's normal: what a hand left, the configured one, the captured one, else what it reads now.
func (l *line) normalValue() actions.Value {
	switch {
	case l.st.Hand.Known:
		return l.st.Hand
	case l.pt.Normal.Known:
		return l.pt.Normal
	case l.st.Owed:
		return l.st.Normal
	}
	if v := l.reading(); v.Known {
		return v
	}
	return l.st.Normal
}

// reading returns the newest reading of the point, unknown where it cannot be read.
func (l *line) reading() actions.Value {
	if r, ok := l.p.Readings[l.ref]; ok && !r.Failed {
		return r.Value
	}
	return actions.Value{}
}

// after returns the value the point goes to once h is off it and nothing else on: its procedure's restore value, or the
// normal.
func (l *line) after(h *hold) (v actions.Value, said bool) {
	if h != nil {
		for i := range h.win.proc.Restore {
			if s := &h.win.proc.Restore[i]; s.Point == l.ref && !s.Want.Normal {
				return s.Want.Value, true
			}
		}
	}
	return l.normal, false
}

// value returns what h asks for at t.
func (l *line) value(h *hold, t time.Time) actions.Value {
	if len(l.stays) > 0 {
		if s := l.stayAt(h, t); s != nil {
			return s.value
		}
	}
	switch {
	case h.room != nil:
		return h.room.at(t)
	case h.st.Want.Normal:
		return l.normal
	case !h.st.Want.Auto:
		return h.st.Want.Value
	case !t.Before(h.win.start):
		return l.autoAt(h, t)
	case l.dev.Kind == actions.Battery || l.dev.Kind == actions.Vehicle:
		return l.autoAt(h, h.win.start) // it draws nothing yet
	}
	return l.zero
}

// build works the line out from now on.
func (l *line) build() {
	l.spans, l.changes, l.on = l.spans[:0], l.changes[:0], l.on[:0]
	starts := l.p.starts[:0]
	for _, h := range l.holds {
		h.begins, h.ended, h.renewed, h.command, h.told = 0, 0, 0, false, false
		if h.live && h.to.After(h.from) {
			starts = append(starts, h)
		}
	}
	if n := 2*len(starts) + 2; cap(l.spans) < n {
		l.spans, l.changes = carve(&l.p.spans, n), carve(&l.p.listed, n)
	}
	ends := append(l.p.ends[:0], starts...)
	l.p.starts, l.p.ends = starts, ends
	slices.SortFunc(starts, func(a, b *hold) int { return a.from.Compare(b.from) })
	slices.SortFunc(ends, func(a, b *hold) int { return a.to.Compare(b.to) })

	now := l.p.now
	for len(ends) > 0 && !ends[0].to.After(now) {
		ends = ends[1:]
	}
	for len(starts) > 0 && !starts[0].from.After(now) {
		l.push(starts[0], now)
		starts = starts[1:]
	}
	l.catchUp()
	t, ruler := now, l.top(now)
	for len(starts)+len(ends) > 0 {
		next := l.nextChange(ruler, t)
		if len(starts) > 0 && (next.IsZero() || starts[0].from.Before(next)) {
			next = starts[0].from
		}
		if len(ends) > 0 && (next.IsZero() || ends[0].to.Before(next)) {
			next = ends[0].to
		}
		t = next
		var over *hold // the strongest that ends now
		for len(ends) > 0 && ends[0].to.Equal(t) {
			if over == nil || stronger(ends[0], over) {
				over = ends[0]
			}
			ends = ends[1:]
		}
		for len(starts) > 0 && starts[0].from.Equal(t) {
			l.push(starts[0], t)
			starts = starts[1:]
		}
		before := ruler
		ruler = l.top(t)
		l.turn(t, ruler, before, over)
	}
}

// turn is what happens at t, when h comes to rule after before, or none does, and over has just ended.
func (l *line) turn(t time.Time, h, before, over *hold) {
	if h == nil {
		l.giveBack(t, over)
		return
	}
	v := l.value(h, t)
	sp := span{from: t, hold: h, value: v}
	if v != l.have {
		c := l.newChange(t, v, l.isNormal(h, v))
		// Where the point was held for neither yet, because it had the value by itself, this is no return.
		if over == nil || h == before || h.from.Equal(t) || !l.owed && !l.p.wasTold(over) && !l.p.wasTold(h) {
			c.begin(h)
		} else {
			c.end(over, h)
		}
		sp.change = l.add(c)
		l.owed = !c.release
	}
	l.have = v
	l.spans = append(l.spans, sp)
}

// giveBack is the end of the last hold on the point.
func (l *line) giveBack(t time.Time, over *hold) {
	sp := span{from: t}
	v, said := l.after(over)
	// Where nothing was written nothing is owed: the point had the value by itself.
	if l.owed || said && v != l.have {
		c := l.newChange(t, v, true)
		c.end(over, nil)
		sp.change = l.add(c)
	}
	l.have, l.owed = v, false
	l.spans = append(l.spans, sp)
}

// isNormal reports whether v is what the point goes to in the end anyway, whichever of the holds on it ends last: then
// writing it gives the point back.
func (l *line) isNormal(h *hold, v actions.Value) bool {
	if after, _ := l.after(h); after != v {
		return false
	}
	for _, o := range l.on {
		if after, _ := l.after(o); after != v {
			return false
		}
	}
	return true
}

// wasTold reports whether the point was or is to be told what the hold asks for.
func (p *planner) wasTold(h *hold) bool {
	_, begun := p.hasBegun(h)
	return begun || h.told || p.under[h.claimed()]
}

// push puts h among the holds that are on, unless it is over at t.
func (l *line) push(h *hold, t time.Time) {
	if !h.to.After(t) {
		return
	}
	l.on = append(l.on, h)
	i := len(l.on) - 1
	for i > 0 && stronger(l.on[i], l.on[(i-1)/2]) {
		l.on[i], l.on[(i-1)/2] = l.on[(i-1)/2], l.on[i]
		i = (i - 1) / 2
	}
}

// top returns the strongest hold that is on at t, or nil, and forgets those at the top that are over.
func (l *line) top(t time.Time) *hold {
	for len(l.on) > 0 && !l.on[0].to.After(t) {
		n := len(l.on) - 1
		l.on[0] = l.on[n]
		l.on = l.on[:n]
		for i := 0; ; {
			j := 2*i + 1
			if j >= n {
				break
			}
			if j+1 < n && stronger(l.on[j+1], l.on[j]) {
				j++
			}
			if !stronger(l.on[j], l.on[i]) {
				break
			}
			l.on[i], l.on[j] = l.on[j], l.on[i]
			i = j
		}
	}
	if len(l.on) == 0 {
		return nil
	}
	return l.on[0]
}
