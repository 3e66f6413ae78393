package plan

import (
	"cmp"
	"math"
	"slices"

	"spillway/actions"
)

// Several devices that make room before one window share the other loads of the premises, in an order. Each takes the latest
// times that are left to it; so an order may leave a device that can give back but little without the time it needs.

// betterOrder is the part of the energy taken by which another order must be better than the usual one.
const betterOrder = 0.003

// inOrder makes room for the targets of one window, in the best of the usual order, those with one of them put first, and
// the usual one with each spread over all the time there is.
func (m *rooms) inOrder(targets []target) {
	start := m.mark(targets)
	best, most := targets, m.try(targets)
	last := best
	for i := 1; i < len(targets) && !math.IsInf(most, 1); i++ {
		if targets[i].d.Kind == actions.Tank {
			continue
		}
		last = slices.Insert(slices.Delete(slices.Clone(targets), i, i+1), 0, targets[i])
		m.undo(start)
		if wh := m.try(last); wh > most*(1+betterOrder)+leastRoomWh {
			best, most = last, wh
		}
	}
	if !math.IsInf(most, 1) {
		m.undo(start)
		m.spread = true
		wh := m.try(targets)
		if m.spread = false; wh > most*(1+betterOrder)+leastRoomWh {
			return
		}
		last = nil
	}
	if last == nil || &last[0] != &best[0] {
		m.undo(start)
		m.try(best)
	}
}

// try makes room in an order, and returns what the devices can then take, in Wh; +Inf where no other order could be better.
func (m *rooms) try(order []target) (sum float64) {
	short := false
	for _, t := range order {
		if t.d.Kind == actions.Tank {
			m.holdOff(t)
		} else {
			short = m.empty(t) || short
		}
		sum += math.Min(m.storeAt(t.d, t.w.start).roomWh, m.p.mostW(t.d)*t.w.End.Sub(t.w.start).Hours())
	}
	if !short {
		return math.Inf(1)
	}
	return sum
}

// A mark is how far the planner was before room was made for a window.
type mark struct {
	w            *window
	holds, rooms int
	giving       int
	problems     []string
	lines        map[*line]int
}

func (m *rooms) mark(targets []target) mark {
	w := targets[0].w
	k := mark{w: w, holds: len(w.holds), rooms: len(w.room), giving: len(m.giving), problems: slices.Clone(w.problems), lines: map[*line]int{}}
	for _, t := range targets {
		for _, l := range t.lines {
			k.lines[l] = len(l.holds)
		}
	}
	return k
}

func (m *rooms) undo(k mark) {
	for _, h := range k.w.holds[k.holds:] {
		delete(m.made, h.id)
		h.line.holds = h.line.holds[:k.lines[h.line]]
		m.settle(h.line)
	}
	k.w.holds, k.w.room, k.w.problems = k.w.holds[:k.holds], k.w.room[:k.rooms], slices.Clone(k.problems)
	m.giving = m.giving[:k.giving]
}

// compare says which of two targets of a window comes first. What gives back already goes on as it does, what does all it can
// before what makes do with the rest. Statements with a value do, since auto shares what they leave;
// then what draws on all phases: what one phase alone can carry still finds its place on the others; then what loses most,
// since the same loads take up the room of more energy; then what needs the longest to give it back, since the others find
// time beside it.
func (m *rooms) compare(a, b target) int {
	p := m.p
	return cmp.Or(cmp.Compare(m.givesNow(b), m.givesNow(a)), a.w.autos(a.d)-b.w.autos(b.d), len(p.premises.PhasesOf(b.d))-len(p.premises.PhasesOf(a.d)),
		cmp.Compare(p.store(a.d).back, p.store(b.d).back), cmp.Compare(m.takesLong(b), m.takesLong(a)))
}

// takesLong returns about how long a battery needs to make the room that the window can use, in hours.
func (m *rooms) takesLong(t target) float64 {
	s, most := m.p.store(t.d), 0.0
	for _, l := range t.lines {
		_, w := l.giveMost(m.other[0] + m.other[1] + m.other[2])
		most = math.Max(most, w)
	}
	if t.d.DischargeW > 0 {
		most = math.Min(most, t.d.DischargeW)
	}
	if most <= 0 {
		return 0
	}
	return math.Min(s.spareWh, math.Max(0, m.p.mostW(t.d)*t.w.End.Sub(t.w.start).Hours()-s.roomWh)*s.back) / most
}

// givesNow returns how much of what it can the battery gives back now to make room for the window, as tenths.
func (m *rooms) givesNow(t target) float64 {
	for _, l := range t.lines {
		st := &l.st
		if w, _ := m.p.premises.DrawW(t.d, l.pt, st.Value); w < 0 && st.Owed && m.p.holdOf(st.Step) == m.id(t.w, l.ref) {
			if _, most := l.giveMost(m.other[0] + m.other[1] + m.other[2]); most > 0 {
				return math.Round(math.Min(1, -w/most) * 10)
			}
		}
	}
	return 0
}
