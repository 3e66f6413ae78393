package plan

import (
	"math"
	"slices"
	"time"

	"spillway/actions"
)

// mostCuts bounds how often auto points are lowered for times in which the commands of others are late.
const mostCuts = 20

// A sharedDraw is what auto lets a point draw.
type sharedDraw struct {
	line *line
	draw
}

// sharedDraws returns what auto lets points draw, in the order in which it is to be taken from them: the last statement first,
// but what was begun for min_on after all else.
func (p *planner) sharedDraws() (list []sharedDraw) {
	for _, l := range p.order {
		if len(l.auto) == 0 {
			continue
		}
		for _, d := range l.draws(nil) {
			if d.shared > 0 {
				list = append(list, sharedDraw{l, d})
			}
		}
	}
	slices.SortStableFunc(list, func(a, b sharedDraw) int {
		if a, b := a.line.dev.MinOn > 0, b.line.dev.MinOn > 0; a != b {
			if a {
				return 1
			}
			return -1
		}
		return b.line.statement() - a.line.statement()
	})
	return list
}

// cutOver lowers auto points where, with every command sent when its link has time for it, the premises draw more than the
// limit, and reports whether there were any to lower. The sharing keeps the limit with all that changes at one instant
// changing at once; a drop that queues behind another command comes some seconds later than that.
func (p *planner) cutOver() bool {
	limit := p.premises.Supply.LimitW
	f := &profile{p: p, other: p.otherLoads()}
	f.devices()
	f.sum()
	shared := p.sharedDraws()
	for i := 0; i+1 < len(f.load) && len(shared) > 0; i++ {
		for ph := range p.phases() {
			if over := f.load[i].w[ph] + f.other[ph] - limit; over > wattSlack && p.cutAt(shared, f.load[i].t, f.load[i+1].t, ph, over) {
				return true
			}
		}
	}
	return false
}

// cutAt takes over, in W, off what is shared on a phase between two instants, and reports whether there was anything to take
// off.
func (p *planner) cutAt(shared []sharedDraw, from, to time.Time, ph int, over float64) (moved bool) {
	for _, d := range shared {
		if d.from.After(from) || !d.to.After(from) {
			continue
		}
		phases := p.premises.PhasesOf(d.line.dev)
		if !slices.Contains(phases, ph+1) {
			continue
		}
		a := p.autoPoint(d.line)
		v := a.value(math.Max(0, (d.shared-over*float64(len(phases)))/1000-a.base))
		less := d.shared - p.drawOf(d.line, v)
		if less <= 0 {
			continue
		}
		d.line.lower(v, from, to)
		moved = true
		if over -= less / float64(len(phases)); over <= wattSlack {
			break
		}
	}
	return moved
}

// statement returns the place of the first auto statement on the line in its window.
func (l *line) statement() int {
	i := slices.IndexFunc(l.holds, func(h *hold) bool { return h.live && h.st.Want.Auto })
	if i < 0 {
		return -1
	}
	return l.holds[i].order
}

// lower lets auto on the line come to no more than v between two instants, and from so long before that the command is
// confirmed by then. Where it would change again soon after, it stays at v until then.
func (l *line) lower(v actions.Value, from, to time.Time) {
	link := &l.p.links[l.link]
	begin := actions.Later(l.p.now, from.Add(-max(link.Spacing, link.Confirm)))
	after := l.autoIn(l.auto, to)
	soon := slices.ContainsFunc(l.auto, func(a autoValue) bool { return a.at.After(to) && a.at.Sub(to) <= longWait })
	list := make([]autoValue, 0, len(l.auto)+2)
	for _, a := range l.auto {
		switch {
		case a.at.Before(begin) || a.at.After(to):
			list = append(list, a)
		case a.at.Before(to) && l.p.drawOf(l, a.value) < l.p.drawOf(l, v):
			list = append(list, a)
		}
	}
	list = append(list, autoValue{at: begin, value: v})
	if !soon {
		list = append(list, autoValue{at: to, value: after})
	}
	slices.SortStableFunc(list, func(a, b autoValue) int { return a.at.Compare(b.at) })
	l.auto = list
}
