package plan

import (
	"slices"
	"time"

	"spillway/actions"
)

// fullSettles is how much longer than by its level a device may draw until it is full: it loses some meanwhile, and a level
// is read every minute and shown rounded. What takes its power waits for that.
const fullSettles = 2 * time.Minute

// pessimist returns the load as it may be: every device draws what it is set to, and a draw that is lowered goes on until
// the read-back is due.
func (p *planner) pessimist() *profile {
	f := &profile{p: p, other: p.otherLoads()}
	for _, l := range p.order {
		for _, d := range l.slowDraws() {
			f.pieces = append(f.pieces, piece{d.from, d.to, l.devIndex, d.w})
		}
	}
	slices.SortStableFunc(f.pieces, comparePieces)
	f.sum()
	return f
}

// slowDraws returns what the point draws as it may be: what is shared out counts as set, whether or not the device is full.
func (l *line) slowDraws() (out []draw) {
	if d, ok := l.underWay(); ok {
		out = append(out, d)
	}
	store := l.p.store(l.dev)
	out = l.overdue(store, out)
	list := l.draws(nil)
	for i, d := range list {
		took := store.take(d)
		if d.w <= 0 {
			continue
		}
		if d.shared == 0 {
			if len(took) == 0 {
				continue
			}
			to, full := d.to, took[0].to.Before(d.to)
			if d = took[0]; full {
				d.to = actions.Earlier(to, d.to.Add(fullSettles))
				out = append(out, d)
				continue
			}
		}
		out = append(out, d)
		next := 0.0
		if i+1 < len(list) && list[i+1].from.Equal(d.to) {
			next = max(0, list[i+1].w)
		}
		if c := l.endOf(d); c != nil && next < d.w {
			out = append(out, draw{from: d.to, to: c.at.Add(l.p.links[l.link].Confirm), w: d.w - next})
		}
	}
	return out
}

// endOf returns the command that ends a draw, nil where none does.
func (l *line) endOf(d draw) *change {
	for _, c := range l.changes {
		if c.drop == kept && c.at.Equal(d.to) || c.drop == kept && c.ending && c.due.Equal(d.to) {
			return c
		}
	}
	return nil
}

// underWay returns what a command that lowers the point's draw, and is not confirmed yet, may still leave on.
func (l *line) underWay() (draw, bool) {
	if !l.st.Owed || l.st.Certain {
		return draw{}, false
	}
	s, ok := l.p.Standing.Steps[l.st.Step]
	if !ok {
		return draw{}, false
	}
	before, after := l.p.drawOf(l, s.Step.From), l.p.drawOf(l, l.st.Value)
	if before <= after {
		return draw{}, false
	}
	return draw{from: l.p.now, to: l.p.now.Add(l.p.links[l.link].Confirm), w: before - after}, true
}

// overdue appends what the point draws until a command that is due by now lowers it, and its read-back is due.
func (l *line) overdue(store *store, out []draw) []draw {
	if len(l.changes) == 0 || !l.changes[0].caughtUp || l.changes[0].drop != kept || store.roomWh <= 0 || !l.p.inWindow(l) {
		return out
	}
	c := l.changes[0]
	before, after := l.p.drawOf(l, c.from), l.p.drawOf(l, c.value)
	if before <= after || c.sentAgain() {
		return out // one that is sent again is under way
	}
	if c.at.After(l.p.now) {
		out = append(out, draw{from: l.p.now, to: c.at, w: before})
	}
	return append(out, draw{from: c.at, to: c.at.Add(l.p.links[l.link].Confirm), w: before - after})
}
